"""Outcomes of treated cases, one row each, and what they are made of."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Make the tables."""
    for statement in shapes_of("0015"):
        op.execute(statement)
