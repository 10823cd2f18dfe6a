"""Find what nobody knows of an implant by its day, and lines of the trail of access by theirs."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of
from api.storage.postgres_words import translate

revision = "0024"
down_revision = "0023"


def upgrade() -> None:
    """Make the indexes; no table changes."""
    for statement in shapes_of("0024"):
        op.execute(translate(statement).sql)
