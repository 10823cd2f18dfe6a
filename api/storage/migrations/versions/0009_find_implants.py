"""Make the view of implants one that a search of lots can use; opening the store fills it anew."""

from alembic import op

revision = "0009"
down_revision = "0008"

STATEMENTS = (
    "DROP TABLE implant",
    # One row for each case and each reading of a label that stands in a record, struck ones too.
    # The forms are those under which names are looked up (LT2, LT5); NULL is nothing known.
    """
    CREATE TABLE implant (
        record TEXT NOT NULL,
        place INTEGER NOT NULL,
        kind TEXT NOT NULL,
        of_case TEXT,
        target TEXT,
        slot INTEGER,
        written_ms INTEGER NOT NULL,
        written_on_device TEXT NOT NULL,
        identifier TEXT,
        lot TEXT,
        lot_unknown INTEGER NOT NULL CHECK (lot_unknown IN (0, 1)),
        serial TEXT,
        expires_on TEXT,
        item TEXT,
        on_day TEXT,
        package TEXT,
        stock TEXT,
        fate TEXT,
        is_struck INTEGER NOT NULL CHECK (is_struck IN (0, 1)),
        identifier_form TEXT,
        lot_form TEXT,
        serial_form TEXT,
        PRIMARY KEY (record, place)
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX implant_by_lot ON implant (lot_form)",
    "CREATE INDEX implant_by_serial ON implant (serial_form)",
    "CREATE INDEX implant_by_identifier ON implant (identifier_form)",
    "CREATE INDEX implant_by_expiry ON implant (expires_on)",
    "CREATE INDEX implant_without_lot ON implant (on_day) WHERE lot_form IS NULL",
    "CREATE INDEX implant_by_target ON implant (target, written_ms) WHERE target IS NOT NULL",
    "CREATE INDEX implant_by_case ON implant (of_case)",
    # Every answer to why follow-up ended, parted by blanks: who died is found with the lot too.
    "ALTER TABLE visit_list ADD COLUMN ended_because TEXT",
    "CREATE INDEX visit_list_by_patient ON visit_list (patient) WHERE ended_because IS NOT NULL",
)


def upgrade() -> None:
    """Create the table anew, empty."""
    for statement in STATEMENTS:
        op.execute(statement)
