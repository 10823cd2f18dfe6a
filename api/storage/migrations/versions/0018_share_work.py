"""Work that waits for any process, and nonces that were used with any of them."""

from alembic import op

revision = "0018"
down_revision = "0017"

STATEMENTS = (
    # ``version`` counts how often it was asked for: what is asked for again while somebody works
    # on it waits once more.
    """
    CREATE TABLE work (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        work_key TEXT NOT NULL,
        version INTEGER NOT NULL,
        asked_ms INTEGER NOT NULL,
        leased_until_ms INTEGER NOT NULL,
        UNIQUE (kind, work_key)
    ) STRICT
    """,
    "CREATE INDEX work_by_kind ON work (kind, id)",
    """
    CREATE TABLE used_nonce (
        nonce TEXT NOT NULL PRIMARY KEY,
        used_ms INTEGER NOT NULL,
        device TEXT
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX used_nonce_by_device ON used_nonce (device)",
    "CREATE INDEX used_nonce_by_time ON used_nonce (used_ms)",
)


def upgrade() -> None:
    """Create the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
