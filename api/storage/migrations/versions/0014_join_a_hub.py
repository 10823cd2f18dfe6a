"""What a unit keeps of the hub that it joined, and at a hub who may read which of its logs."""

from alembic import op

revision = "0014"
down_revision = "0013"

STATEMENTS: tuple[str, ...] = (
    # At a unit: the one hub that it joined. The token opens nothing without the server's key.
    """
    CREATE TABLE hub_line (
        number INTEGER PRIMARY KEY CHECK (number = 1),
        address TEXT NOT NULL,
        device TEXT NOT NULL,
        token TEXT NOT NULL,
        hub_name TEXT NOT NULL,
        hub_key TEXT NOT NULL,
        fingerprint TEXT NOT NULL,
        joined_ms INTEGER NOT NULL,
        is_waiting INTEGER NOT NULL CHECK (is_waiting IN (0, 1)),
        server TEXT NOT NULL,
        read_to INTEGER NOT NULL,
        last_read_after INTEGER NOT NULL,
        last_read_hash TEXT NOT NULL,
        is_recovering INTEGER NOT NULL CHECK (is_recovering IN (0, 1)),
        is_offering INTEGER NOT NULL CHECK (is_offering IN (0, 1)),
        last_contact_ms INTEGER,
        last_try_ms INTEGER,
        next_try_ms INTEGER,
        failures INTEGER NOT NULL,
        outcome TEXT NOT NULL,
        sentence TEXT NOT NULL
    ) STRICT
    """,
    # At a unit: up to which counter the hub holds each epoch of the registry log, and what it read.
    """
    CREATE TABLE hub_held (
        epoch TEXT PRIMARY KEY,
        held INTEGER NOT NULL
    ) STRICT
    """,
    # At a unit: own operations that the hub has set aside, and why.
    """
    CREATE TABLE hub_refusal (
        op_id TEXT PRIMARY KEY,
        sentence TEXT NOT NULL,
        noted_ms INTEGER NOT NULL
    ) STRICT
    """,
    # At a hub: the units that may read a log of its own, '' for all of them.
    """
    CREATE TABLE registry_reader (
        epoch TEXT NOT NULL,
        unit TEXT NOT NULL,
        PRIMARY KEY (epoch, unit)
    ) STRICT
    """,
)


def upgrade() -> None:
    """Make the tables."""
    for statement in STATEMENTS:
        op.execute(statement)
