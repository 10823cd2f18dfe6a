"""Outcomes of treated cases, one row each, and what they are made of."""

from alembic import op

revision = "0015"
down_revision = "0014"

STATEMENTS = (
    # What stands in one record each, by the unit that wrote it.
    """
    CREATE TABLE registry_patient_row (
        record TEXT NOT NULL PRIMARY KEY,
        unit TEXT NOT NULL,
        born INTEGER,
        sex TEXT NOT NULL,
        died_on TEXT NOT NULL,
        doubts TEXT NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    """
    CREATE TABLE registry_case_row (
        record TEXT NOT NULL PRIMARY KEY,
        unit TEXT NOT NULL,
        patient TEXT NOT NULL,
        treated_on TEXT NOT NULL,
        seen_on TEXT NOT NULL,
        indication TEXT NOT NULL,
        varix_class TEXT NOT NULL,
        cause TEXT NOT NULL,
        shunt TEXT NOT NULL,
        child_pugh_points INTEGER,
        meld INTEGER,
        short_axis_um INTEGER,
        technique TEXT NOT NULL,
        coils INTEGER,
        adhesive_kind TEXT NOT NULL,
        adhesive_ul INTEGER,
        delivered INTEGER,
        flow_at_end TEXT NOT NULL,
        windows_due INTEGER,
        windows_kept INTEGER,
        window_days INTEGER NOT NULL,
        asked_on TEXT NOT NULL,
        doubts TEXT NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX registry_case_by_patient ON registry_case_row (patient)",
    # Looks at the varix and events; `told` is the flow of a look and the source of a bleed.
    """
    CREATE TABLE registry_part_row (
        record TEXT NOT NULL PRIMARY KEY,
        unit TEXT NOT NULL,
        of_case TEXT NOT NULL,
        part TEXT NOT NULL,
        on_day TEXT NOT NULL,
        told TEXT NOT NULL,
        planned INTEGER
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX registry_part_by_case ON registry_part_row (of_case)",
    # The forms are those under which names are looked up (LT2, LT5); NULL is nothing known.
    """
    CREATE TABLE registry_implant_row (
        record TEXT NOT NULL PRIMARY KEY,
        unit TEXT NOT NULL,
        of_case TEXT NOT NULL,
        item TEXT NOT NULL,
        identifier TEXT,
        lot TEXT,
        lot_unknown INTEGER NOT NULL,
        expires_on TEXT,
        pieces INTEGER NOT NULL,
        identifier_form TEXT,
        lot_form TEXT
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX registry_implant_by_lot ON registry_implant_row (lot_form)",
    "CREATE INDEX registry_implant_by_identifier ON registry_implant_row (identifier_form)",
    "CREATE INDEX registry_implant_by_expiry ON registry_implant_row (expires_on)",
    "CREATE INDEX registry_implant_by_case ON registry_implant_row (of_case)",
    # One row a treated case, made of those above: all that a reading of outcomes counts. Rows of a
    # unit lie side by side.
    """
    CREATE TABLE registry_episode (
        record TEXT NOT NULL,
        unit TEXT NOT NULL,
        patient TEXT NOT NULL,
        treated_on TEXT NOT NULL,
        month TEXT NOT NULL,
        indication TEXT NOT NULL,
        varix_class TEXT NOT NULL,
        cause TEXT NOT NULL,
        shunt TEXT NOT NULL,
        child_class TEXT NOT NULL,
        meld_band TEXT NOT NULL,
        size_band TEXT NOT NULL,
        technique TEXT NOT NULL,
        adhesive_kind TEXT NOT NULL,
        sex TEXT NOT NULL,
        age_band TEXT NOT NULL,
        verdicts TEXT NOT NULL,
        rebleed_days INTEGER NOT NULL,
        rebleed_end TEXT NOT NULL,
        death_days INTEGER NOT NULL,
        death_end TEXT NOT NULL,
        source TEXT NOT NULL,
        coils INTEGER,
        adhesive_ul INTEGER,
        sessions INTEGER,
        windows_due INTEGER,
        windows_kept INTEGER,
        PRIMARY KEY (unit, treated_on, record)
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX registry_episode_by_patient ON registry_episode (patient)",
    # The limit of a sum, played once for each mix of risks.
    """
    CREATE TABLE outcome_limit (
        mix TEXT NOT NULL PRIMARY KEY,
        limit_of TEXT NOT NULL
    ) WITHOUT ROWID, STRICT
    """,
)


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
