"""Links between patients of several units, and what they wait for."""

from alembic import op

revision = "0016"
down_revision = "0015"

STATEMENTS: tuple[str, ...] = (
    # What patients of the network are compared by: no name, no day. ``names`` is a filter.
    """
    CREATE TABLE link_patient (
        patient TEXT NOT NULL PRIMARY KEY,
        unit TEXT NOT NULL,
        national TEXT NOT NULL,
        born TEXT NOT NULL,
        birth_year TEXT NOT NULL,
        sex TEXT NOT NULL,
        names BLOB NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    # The keys under which two records meet at all: one new patient looks up a few of them.
    """
    CREATE TABLE link_key (
        link_key TEXT NOT NULL,
        patient TEXT NOT NULL,
        PRIMARY KEY (link_key, patient)
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX link_key_by_patient ON link_key (patient)",
    # How many patients of each unit can be compared: what speaks for a pair depends on it.
    """
    CREATE TABLE link_unit (
        unit TEXT NOT NULL PRIMARY KEY,
        patients INTEGER NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    # How each proposal stands by all that was said of it.
    """
    CREATE TABLE patient_link (
        link TEXT NOT NULL PRIMARY KEY,
        one TEXT NOT NULL,
        other TEXT NOT NULL,
        standing TEXT NOT NULL,
        per_mille INTEGER NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX patient_link_by_one ON patient_link (one)",
    "CREATE INDEX patient_link_by_other ON patient_link (other)",
    "CREATE INDEX patient_link_by_standing ON patient_link (standing, per_mille)",
)


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
