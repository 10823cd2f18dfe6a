"""Links between patients of several units, and what they wait for."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Make the tables."""
    for statement in shapes_of("0016"):
        op.execute(statement)
