"""What each device last told of itself; at a hub the devices are units, which tell more otherwise.

The table is here all the same: its tables are the unit's.
"""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0019"
down_revision = "0018"


def upgrade() -> None:
    """Make the table."""
    for statement in shapes_of("0019"):
        op.execute(statement)
