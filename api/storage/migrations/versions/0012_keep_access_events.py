"""Create the chain of access events, its signed heads, what devices told, and erased records."""

from alembic import op

revision = "0012"
down_revision = "0011"

STATEMENTS = (
    # The line is what the hash stands for; nothing of it is kept a second time.
    """
    CREATE TABLE access_event (
        seq INTEGER PRIMARY KEY,
        line TEXT NOT NULL,
        hash BLOB NOT NULL CHECK (length(hash) = 32)
    ) STRICT
    """,
    """
    CREATE TABLE access_head (
        seq INTEGER PRIMARY KEY,
        hash BLOB NOT NULL CHECK (length(hash) = 32),
        at_ms INTEGER NOT NULL,
        public_key BLOB NOT NULL,
        signature BLOB NOT NULL
    ) STRICT
    """,
    # How far the own chain of each device was taken in.
    """
    CREATE TABLE device_access (
        device TEXT NOT NULL,
        chain TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL CHECK (length(hash) = 32),
        PRIMARY KEY (device, chain)
    ) WITHOUT ROWID, STRICT
    """,
    # Records whose bodies were destroyed, and the erasure that says so; the commitments stay.
    """
    CREATE TABLE erased_record (
        record TEXT PRIMARY KEY,
        erasure TEXT NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
)


def upgrade() -> None:
    """Create the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
