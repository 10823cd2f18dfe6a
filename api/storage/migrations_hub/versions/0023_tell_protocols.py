"""Which version of the exchange each device speaks; NULL is what it did not tell."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0023"
down_revision = "0022"


def upgrade() -> None:
    """Add the column."""
    for statement in shapes_of("0023"):
        op.execute(statement)
