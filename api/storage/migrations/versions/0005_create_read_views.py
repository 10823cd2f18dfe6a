"""Create the read views; opening the store fills them from the log (`RecordView.bring_up`)."""

from alembic import op

revision = "0005"
down_revision = "0004"

STATEMENTS = (
    """
    CREATE TABLE patient_list (
        record TEXT PRIMARY KEY,
        family_name TEXT,
        given_name TEXT,
        born_on TEXT,
        sex TEXT,
        local_id TEXT
    ) STRICT
    """,
    """
    CREATE TABLE case_list (
        record TEXT PRIMARY KEY,
        patient TEXT,
        stage TEXT,
        opened_at TEXT,
        procedure_on TEXT,
        indication TEXT,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
    ) STRICT
    """,
    "CREATE INDEX case_list_by_day ON case_list (procedure_on)",
    """
    CREATE TABLE visit_list (
        record TEXT PRIMARY KEY,
        patient TEXT,
        of_case TEXT,
        label TEXT,
        status TEXT,
        earliest_on TEXT,
        target_on TEXT,
        latest_on TEXT,
        session TEXT,
        booked_on TEXT,
        owner_role TEXT,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
    ) STRICT
    """,
    "CREATE INDEX visit_list_by_day ON visit_list (status, latest_on)",
    """
    CREATE TABLE open_conflict (
        record TEXT NOT NULL,
        field TEXT NOT NULL,
        kind TEXT NOT NULL,
        stream TEXT NOT NULL,
        open_since_ms INTEGER NOT NULL,
        answers TEXT NOT NULL,
        PRIMARY KEY (record, field)
    ) WITHOUT ROWID, STRICT
    """,
    """
    CREATE TABLE implant (
        record TEXT NOT NULL,
        place INTEGER NOT NULL,
        kind TEXT NOT NULL,
        of_case TEXT,
        target TEXT,
        slot INTEGER,
        written_ms INTEGER NOT NULL,
        identifier TEXT,
        lot TEXT,
        lot_unknown INTEGER NOT NULL CHECK (lot_unknown IN (0, 1)),
        serial TEXT,
        expires_on TEXT,
        PRIMARY KEY (record, place)
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX implant_by_lot ON implant (lot) WHERE lot IS NOT NULL",
    "CREATE INDEX implant_by_serial ON implant (serial) WHERE serial IS NOT NULL",
    "CREATE INDEX implant_by_identifier ON implant (identifier) WHERE identifier IS NOT NULL",
    "CREATE INDEX implant_by_target ON implant (target, written_ms) WHERE target IS NOT NULL",
)


def upgrade() -> None:
    """Create the tables, empty."""
    for statement in STATEMENTS:
        op.execute(statement)
