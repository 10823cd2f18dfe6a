"""Links between patients of several units, and what they wait for."""

from alembic import op

revision = "0016"
down_revision = "0015"

STATEMENTS: tuple[str, ...] = ()


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
