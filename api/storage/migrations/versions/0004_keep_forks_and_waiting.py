"""Keep forks, where revoked logs end, and operations that wait for what lies before them."""

from alembic import op

revision = "0004"
down_revision = "0003"

STATEMENTS = (
    """
    CREATE TABLE fork (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        held_hash BLOB NOT NULL,
        other_hash BLOB NOT NULL,
        noted_ms INTEGER NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    """,
    """
    CREATE TABLE revoked_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    """,
    """
    CREATE TABLE waiting_operation (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        envelope TEXT NOT NULL,
        body TEXT NOT NULL,
        supplied_by TEXT NOT NULL,
        received_ms INTEGER NOT NULL,
        PRIMARY KEY (device, epoch, counter, hash)
    ) STRICT
    """,
    # A pull of one case walks from parents to children.
    "CREATE INDEX record_view_by_parent ON record_view (parent) WHERE parent IS NOT NULL",
)


def upgrade() -> None:
    """Create the tables, empty, and the index."""
    for statement in STATEMENTS:
        op.execute(statement)
