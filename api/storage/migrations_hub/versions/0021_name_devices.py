"""An invitation bears the name of its device, and a refused recovery is kept."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    """Add the columns."""
    for statement in shapes_of("0021"):
        op.execute(statement)
