"""Work that waits for any process, and nonces that were used with any of them."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    """Make the tables."""
    for statement in shapes_of("0018"):
        op.execute(statement)
