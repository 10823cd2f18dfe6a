"""What each device last told of itself; NULL is what it does not know."""

from alembic import op

revision = "0019"
down_revision = "0018"

STATEMENTS = (
    """
    CREATE TABLE device_standing (
        device TEXT NOT NULL PRIMARY KEY,
        told_ms INTEGER NOT NULL,
        build TEXT,
        catalogue INTEGER,
        rules TEXT,
        rules_on TEXT,
        unsent INTEGER,
        unsent_pictures INTEGER,
        is_kept INTEGER,
        used_bytes INTEGER,
        quota_bytes INTEGER
    ) WITHOUT ROWID, STRICT
    """,
)


def upgrade() -> None:
    """Create the table."""
    for statement in STATEMENTS:
        op.execute(statement)
