"""A device that joins anew because its keys are lost may have its data key back, once."""

from alembic import op

revision = "0013"
down_revision = "0012"

STATEMENTS = (
    "ALTER TABLE device ADD COLUMN may_recover INTEGER NOT NULL DEFAULT 0"
    " CHECK (may_recover IN (0, 1))",
)


def upgrade() -> None:
    """Add the column."""
    for statement in STATEMENTS:
        op.execute(statement)
