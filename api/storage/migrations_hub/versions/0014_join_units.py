"""What a unit keeps of the hub that it joined, and at a hub who may read which of its logs."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Make the tables."""
    for statement in shapes_of("0014"):
        op.execute(statement)
