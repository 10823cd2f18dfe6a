"""What units report of their devices and of the quality of their data; exports of a hub."""

from alembic import op

revision = "0017"
down_revision = "0016"

STATEMENTS: tuple[str, ...] = (
    # The last report of each day: what a unit said of itself, over time.
    """CREATE TABLE standing_report (
        unit TEXT NOT NULL,
        on_day TEXT NOT NULL,
        noted_ms INTEGER NOT NULL,
        content TEXT NOT NULL,
        PRIMARY KEY (unit, on_day)
    ) STRICT""",
    # The key of a project makes its pseudonyms; it leaves the hub by no way.
    """CREATE TABLE export_project (
        project TEXT NOT NULL PRIMARY KEY,
        secret BLOB NOT NULL,
        made_ms INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE registry_export (
        export TEXT NOT NULL PRIMARY KEY,
        asked_ms INTEGER NOT NULL,
        content TEXT NOT NULL,
        archive BLOB
    ) STRICT""",
)


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
