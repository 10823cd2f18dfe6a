"""Create what the log-in of people keeps: accounts, sessions, and one-time codes."""

from alembic import op

revision = "0011"
down_revision = "0010"

STATEMENTS = (
    # The role is the one that the unit gave; a record of a tablet alone can give none. Password
    # as a PHC string of Argon2id; the second factor is sealed under a key of the server's file.
    """
    CREATE TABLE person_account (
        staff TEXT PRIMARY KEY,
        login TEXT NOT NULL,
        role TEXT NOT NULL,
        password TEXT,
        totp_sealed BLOB,
        totp_last_step INTEGER NOT NULL DEFAULT 0,
        made_ms INTEGER NOT NULL
    ) STRICT
    """,
    "CREATE UNIQUE INDEX person_account_by_login ON person_account (login)",
    """
    CREATE TABLE person_session (
        token_sha256 TEXT PRIMARY KEY,
        staff TEXT NOT NULL,
        with_code INTEGER NOT NULL CHECK (with_code IN (0, 1)),
        began_ms INTEGER NOT NULL,
        used_ms INTEGER NOT NULL
    ) STRICT
    """,
    "CREATE INDEX person_session_by_staff ON person_session (staff)",
    """
    CREATE TABLE staff_code (
        code_sha256 TEXT PRIMARY KEY,
        staff TEXT NOT NULL,
        opens TEXT NOT NULL CHECK (opens IN ('tablet', 'log-in')),
        expires_ms INTEGER NOT NULL,
        used_ms INTEGER,
        used_on TEXT
    ) STRICT
    """,
)


def upgrade() -> None:
    """Create the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
