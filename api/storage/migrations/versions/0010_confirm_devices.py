"""Devices wait until a person confirmed their key; a lost one is told to clear itself."""

from alembic import op

revision = "0010"
down_revision = "0009"

STATEMENTS = (
    # NULL is a device that waits; by whom is a record name of staff, or "" at the server itself.
    "ALTER TABLE device ADD COLUMN confirmed_ms INTEGER",
    "ALTER TABLE device ADD COLUMN confirmed_by TEXT",
    "ALTER TABLE device ADD COLUMN lost_ms INTEGER",
    # An invitation of this machine for itself: who joins by it waits for nobody.
    "ALTER TABLE invitation ADD COLUMN is_trusted INTEGER NOT NULL DEFAULT 0"
    " CHECK (is_trusted IN (0, 1))",
    # Whoever joined before is in already.
    "UPDATE device SET confirmed_ms = joined_ms, confirmed_by = ''",
)


def upgrade() -> None:
    """Add the columns."""
    for statement in STATEMENTS:
        op.execute(statement)
