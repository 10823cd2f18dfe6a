"""Keep the keys of devices and the heads that they signed; devices held already have no key."""

from alembic import op

revision = "0003"
down_revision = "0002"

STATEMENTS = (
    """
    CREATE TABLE device_key (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        key_id TEXT NOT NULL UNIQUE,
        device TEXT NOT NULL,
        public_key BLOB NOT NULL,
        from_epoch TEXT NOT NULL,
        after_seq INTEGER NOT NULL
    ) STRICT
    """,
    """
    CREATE TABLE head_signature (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        key_id TEXT NOT NULL,
        signature BLOB NOT NULL,
        PRIMARY KEY (device, epoch, counter, hash, key_id)
    ) STRICT
    """,
    """
    CREATE TABLE resupplied_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    """,
)


def upgrade() -> None:
    """Create the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
