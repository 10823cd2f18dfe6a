"""Rows of the registry found by handle, in the order in which records came.

Names of the registry are drawn (RG1): an index over them is written and read all over, and the
larger it is the less of it lies in memory. The rows are made anew from the log when it is opened.
"""

from alembic import op

revision = "0020"
down_revision = "0019"

# What stands in the rows is as in the fifteenth.
STATEMENTS = (
    *(
        f"DROP TABLE registry_{table}"
        for table in ("patient_row", "case_row", "part_row", "implant_row", "episode")
    ),
    """
    CREATE TABLE registry_patient_row (
        record TEXT NOT NULL,
        unit TEXT NOT NULL,
        born INTEGER,
        sex TEXT NOT NULL,
        died_on TEXT NOT NULL,
        doubts TEXT NOT NULL,
        handle INTEGER NOT NULL PRIMARY KEY
    ) STRICT
    """,
    """
    CREATE TABLE registry_case_row (
        record TEXT NOT NULL,
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
        doubts TEXT NOT NULL,
        handle INTEGER NOT NULL PRIMARY KEY,
        patient_handle INTEGER NOT NULL
    ) STRICT
    """,
    "CREATE INDEX registry_case_by_patient ON registry_case_row (patient_handle)",
    """
    CREATE TABLE registry_part_row (
        record TEXT NOT NULL,
        unit TEXT NOT NULL,
        of_case TEXT NOT NULL,
        part TEXT NOT NULL,
        on_day TEXT NOT NULL,
        told TEXT NOT NULL,
        planned INTEGER,
        handle INTEGER NOT NULL PRIMARY KEY,
        case_handle INTEGER NOT NULL
    ) STRICT
    """,
    "CREATE INDEX registry_part_by_case ON registry_part_row (case_handle)",
    """
    CREATE TABLE registry_implant_row (
        record TEXT NOT NULL,
        unit TEXT NOT NULL,
        of_case TEXT NOT NULL,
        item TEXT NOT NULL,
        identifier TEXT,
        lot TEXT,
        lot_unknown INTEGER NOT NULL,
        expires_on TEXT,
        pieces INTEGER NOT NULL,
        identifier_form TEXT,
        lot_form TEXT,
        handle INTEGER NOT NULL PRIMARY KEY
    ) STRICT
    """,
    "CREATE INDEX registry_implant_by_lot ON registry_implant_row (lot_form)",
    "CREATE INDEX registry_implant_by_identifier ON registry_implant_row (identifier_form)",
    "CREATE INDEX registry_implant_by_expiry ON registry_implant_row (expires_on)",
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
        patient_handle INTEGER,
        PRIMARY KEY (unit, treated_on, record)
    ) WITHOUT ROWID, STRICT
    """,
    "CREATE INDEX registry_episode_by_patient ON registry_episode (patient_handle)",
)


def upgrade() -> None:
    """Make the tables anew; the views are rebuilt when the store is opened."""
    for statement in STATEMENTS:
        op.execute(statement)
