"""Outcomes of treated cases, one row each."""

from alembic import op

revision = "0015"
down_revision = "0014"

STATEMENTS: tuple[str, ...] = ()


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
