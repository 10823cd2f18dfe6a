"""An invitation bears the name of its device, and a refused recovery is kept.

Devices that joined before keep the name they sent; the unit desk renames them.
"""

from alembic import op

revision = "0021"
down_revision = "0020"

STATEMENTS = (
    "ALTER TABLE invitation ADD COLUMN name TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE device ADD COLUMN recovery_refused_ms INTEGER",
)


def upgrade() -> None:
    """Add the columns."""
    for statement in STATEMENTS:
        op.execute(statement)
