"""Which version of the exchange each device speaks; NULL is what it did not tell."""

from alembic import op

revision = "0023"
down_revision = "0022"

STATEMENTS = ("ALTER TABLE device_standing ADD COLUMN protocol INTEGER",)


def upgrade() -> None:
    """Add the column."""
    for statement in STATEMENTS:
        op.execute(statement)
