"""Keep what the second check found of each case's plans; plans held already wait for theirs."""

from alembic import op

revision = "0002"
down_revision = "0001"

STATEMENTS = (
    """
    CREATE TABLE plan_check (
        record TEXT PRIMARY KEY,
        is_waiting INTEGER NOT NULL CHECK (is_waiting IN (0, 1)),
        checks TEXT NOT NULL
    ) STRICT
    """,
    "INSERT INTO plan_check SELECT record, 1, '[]' FROM record_view WHERE kind = 'case'",
)


def upgrade() -> None:
    """Create the table and let every case held here wait for its check."""
    for statement in STATEMENTS:
        op.execute(statement)
