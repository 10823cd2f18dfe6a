"""Create the sealed segments of the log, from which a new tablet starts."""

from alembic import op

revision = "0006"
down_revision = "0005"

STATEMENTS = (
    """
    CREATE TABLE segment (
        digest TEXT PRIMARY KEY,
        stream TEXT NOT NULL,
        first_seq INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        operations INTEGER NOT NULL,
        content BLOB NOT NULL,
        signature BLOB NOT NULL
    ) STRICT
    """,
    "CREATE UNIQUE INDEX segment_by_stream ON segment (stream, last_seq)",
)


def upgrade() -> None:
    """Create the table."""
    for statement in STATEMENTS:
        op.execute(statement)
