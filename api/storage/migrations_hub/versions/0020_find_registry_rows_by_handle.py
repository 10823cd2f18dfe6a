"""Rows of the registry found by handle, in the order in which records came."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """Make the tables anew; the views are rebuilt when the store is opened."""
    for statement in shapes_of("0020"):
        op.execute(statement)
