"""How often each patient of a network is joined, and joins between two years of birth."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0025"
down_revision = "0024"


def upgrade() -> None:
    """Make the count, from the links that stand."""
    for statement in shapes_of("0025"):
        op.execute(statement)
