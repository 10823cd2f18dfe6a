"""Create the operation log, its quarantine, the views built from it, and the devices."""

from alembic import op

revision = "0001"
down_revision = None

TABLES = (
    """
    CREATE TABLE operation (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        stream TEXT NOT NULL,
        record TEXT NOT NULL,
        stamp TEXT NOT NULL,
        previous BLOB NOT NULL,
        commitment BLOB NOT NULL,
        hash BLOB NOT NULL,
        body TEXT,
        received_ms INTEGER NOT NULL,
        is_quarantined INTEGER NOT NULL CHECK (is_quarantined IN (0, 1)),
        UNIQUE (device, epoch, counter)
    ) STRICT
    """,
    "CREATE INDEX operation_by_stream ON operation (stream, seq)",
    "CREATE INDEX operation_by_record ON operation (record)",
    """
    CREATE TABLE quarantine (
        digest TEXT PRIMARY KEY,
        op_id TEXT NOT NULL,
        envelope TEXT NOT NULL,
        body TEXT,
        sentence TEXT NOT NULL,
        received_ms INTEGER NOT NULL
    ) STRICT
    """,
    "CREATE INDEX quarantine_by_envelope ON quarantine (envelope)",
    """
    CREATE TABLE record_view (
        record TEXT PRIMARY KEY,
        kind TEXT NOT NULL,
        parent TEXT,
        stream TEXT NOT NULL,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1)),
        state TEXT NOT NULL
    ) STRICT
    """,
    "CREATE INDEX record_view_by_kind ON record_view (kind, parent)",
    """
    CREATE TABLE device (
        id TEXT PRIMARY KEY,
        name TEXT NOT NULL,
        role TEXT NOT NULL,
        token_sha256 TEXT NOT NULL,
        joined_ms INTEGER NOT NULL,
        last_seen_ms INTEGER,
        clock_offset_ms INTEGER,
        revoked_ms INTEGER
    ) STRICT
    """,
    "CREATE UNIQUE INDEX device_by_token ON device (token_sha256)",
    """
    CREATE TABLE invitation (
        code_sha256 TEXT PRIMARY KEY,
        role TEXT NOT NULL,
        expires_ms INTEGER NOT NULL,
        used_ms INTEGER
    ) STRICT
    """,
    "CREATE TABLE fact (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT",
)


def upgrade() -> None:
    """Create the tables of the first release."""
    for statement in TABLES:
        op.execute(statement)
