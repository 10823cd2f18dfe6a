"""Find what nobody knows of an implant by its day, and lines of the trail of access by theirs.

A search by serial number, identifier or date of expiry went through every implant without one,
whatever its day; a search of the trail by day read the whole trail.
"""

from alembic import op

revision = "0024"
down_revision = "0023"

STATEMENTS = (
    *(f"DROP INDEX implant_{name}" for name in ("by_lot", "by_serial", "by_identifier")),
    *(f"DROP INDEX implant_{name}" for name in ("by_expiry", "without_lot")),
    # The day counts where the form is NULL: those of whom nobody knows, within the period (LT8).
    "CREATE INDEX implant_by_lot ON implant (lot_form, on_day)",
    "CREATE INDEX implant_by_serial ON implant (serial_form, on_day)",
    "CREATE INDEX implant_by_identifier ON implant (identifier_form, on_day)",
    "CREATE INDEX implant_by_expiry ON implant (expires_on, on_day)",
    # Of items whose identifier is searched for, what bears none itself (LT16).
    "CREATE INDEX implant_without_identifier ON implant (identifier_form, stock)"
    " WHERE identifier_form IS NULL",
    # Text and no number: a line that somebody spoiled must not keep the store from opening.
    "CREATE INDEX access_event_by_time ON access_event"
    """ (substr(line, instr(line, '"at_ms":') + 8, 14))""",
    "CREATE INDEX access_event_by_noting ON access_event"
    """ (substr(line, instr(line, '"noted_ms":') + 11, 14))""",
)


def upgrade() -> None:
    """Make the indexes; no table changes."""
    for statement in STATEMENTS:
        op.execute(statement)
