"""Create the tokens that open a calendar feed; each is kept as its SHA-256 alone."""

from alembic import op

revision = "0008"
down_revision = "0007"

STATEMENTS = (
    """
    CREATE TABLE calendar_token (
        id TEXT PRIMARY KEY,
        token_sha256 TEXT NOT NULL,
        scope TEXT NOT NULL CHECK (scope IN ('place', 'person')),
        name TEXT NOT NULL,
        made_ms INTEGER NOT NULL,
        revoked_ms INTEGER
    ) STRICT
    """,
    "CREATE UNIQUE INDEX calendar_token_by_digest ON calendar_token (token_sha256)",
)


def upgrade() -> None:
    """Create the table."""
    for statement in STATEMENTS:
        op.execute(statement)
