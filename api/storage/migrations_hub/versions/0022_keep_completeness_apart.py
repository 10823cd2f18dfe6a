"""How full the fields of a unit are lies apart from its report, and is told of the latest alone."""

from alembic import op

from api.storage.migrations_hub.same_shapes import shapes_of

revision = "0022"
down_revision = "0021"


def upgrade() -> None:
    """Make the table, and take out what lay in the reports."""
    for statement in shapes_of("0022"):
        op.execute(statement)
    op.execute(
        "UPDATE standing_report SET content = CAST(CAST(content AS jsonb) - 'completeness' AS TEXT)"
    )
