"""How often each patient of a network is joined, and which joins are between two years of birth.

Each look at the work list of a hub went through every join there is to find the few in doubt.
"""

from alembic import op

revision = "0025"
down_revision = "0024"

STATEMENTS = (
    """
    CREATE TABLE link_joined (
        patient TEXT NOT NULL PRIMARY KEY,
        links INTEGER NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    "INSERT INTO link_joined SELECT patient, COUNT(*) FROM ("
    "SELECT one AS patient FROM patient_link WHERE standing IN ('joined', 'parting')"
    " UNION ALL SELECT other FROM patient_link WHERE standing IN ('joined', 'parting')"
    ") AS named GROUP BY patient",
    "CREATE INDEX link_joined_often ON link_joined (links) WHERE links > 1",
    "ALTER TABLE patient_link ADD COLUMN years_differ INTEGER NOT NULL DEFAULT 0",
    # Who is looked at needlessly costs a little time; who is passed over is missed.
    "UPDATE patient_link SET years_differ = 1 WHERE NOT EXISTS ("
    "SELECT 1 FROM link_patient AS first_one"
    " JOIN link_patient AS second_one ON second_one.birth_year = first_one.birth_year"
    " WHERE first_one.patient = patient_link.one AND second_one.patient = patient_link.other"
    " AND first_one.birth_year <> '')",
    "CREATE INDEX patient_link_of_two_years ON patient_link (years_differ) WHERE years_differ = 1",
)


def upgrade() -> None:
    """Make the count, from the links that stand."""
    for statement in STATEMENTS:
        op.execute(statement)
