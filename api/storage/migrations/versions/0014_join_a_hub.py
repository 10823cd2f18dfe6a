"""What a unit keeps of the hub that it joined."""

from alembic import op

revision = "0014"
down_revision = "0013"

STATEMENTS: tuple[str, ...] = ()


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
