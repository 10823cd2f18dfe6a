"""How full the fields of a unit are lies apart from its report: large, of the latest alone.

What lay in reports until now is dropped: units tell it again within minutes, and no earlier day of
it was ever shown.
"""

from alembic import op

revision = "0022"
down_revision = "0021"

STATEMENTS = (
    """CREATE TABLE standing_completeness (
        unit TEXT NOT NULL PRIMARY KEY,
        content TEXT NOT NULL
    ) STRICT""",
)


def upgrade() -> None:
    """Make the table, and take out what lay in the reports."""
    for statement in STATEMENTS:
        op.execute(statement)
    op.execute(
        "UPDATE standing_report SET content = json_remove(content, '$.completeness')"
        " WHERE json_valid(content)"
    )
