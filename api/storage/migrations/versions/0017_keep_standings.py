"""What units report of their devices and of the quality of their data."""

from alembic import op

revision = "0017"
down_revision = "0016"

STATEMENTS: tuple[str, ...] = ()


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
