"""What units report of their devices and of the quality of their data; exports of a hub."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Make the tables."""
    for statement in shapes_of("0017"):
        op.execute(statement)
