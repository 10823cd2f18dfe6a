"""Keep each text once: short handles for logs, streams and records, bodies squeezed in pieces.

The hash before an operation is that of the entry before it in its log, and the commitment is
SHA-256 of its body: both are worked out when an operation is read. What is read then is hashed
and held against the stored hash by `crura verify`, as before.
"""

import sqlite3
from itertools import groupby, islice
from typing import Any

from alembic import op

from api.storage.entry_rows import keep_bodies, read_stamp_number, shorten_stamp
from api.storage.handles import Handles

revision = "0007"
down_revision = "0006"

ROWS_AT_ONCE = 1_000
TABLES = (
    """
    CREATE TABLE log (
        id INTEGER PRIMARY KEY,
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        UNIQUE (device, epoch)
    ) STRICT
    """,
    "CREATE TABLE stream (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE record (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE bodies (id INTEGER PRIMARY KEY, content BLOB NOT NULL) STRICT",
    # bodies, place: the piece that holds the text, and its place there; NULL when it is withheld,
    # and then commitment is kept. stamp: milliseconds * 100,000 + counter where it bears the
    # device of its log and fits, else the text.
    """
    CREATE TABLE log_entry (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        log INTEGER NOT NULL,
        counter INTEGER NOT NULL,
        stream INTEGER NOT NULL,
        record INTEGER NOT NULL,
        stamp ANY NOT NULL,
        hash BLOB NOT NULL,
        bodies INTEGER,
        place INTEGER,
        commitment BLOB,
        received_ms INTEGER NOT NULL,
        is_quarantined INTEGER NOT NULL CHECK (is_quarantined IN (0, 1)),
        UNIQUE (log, counter)
    ) STRICT
    """,
)
# The number of the row stands at the end of each index by itself.
AFTER = (
    "DROP TABLE operation",
    "CREATE INDEX log_entry_by_stream ON log_entry (stream)",
    "CREATE INDEX log_entry_by_record ON log_entry (record)",
    """
    CREATE VIEW operation AS
        SELECT seq, device, epoch, counter, stream.name AS stream, record.name AS record, hash,
            received_ms, is_quarantined
        FROM log_entry
            LEFT JOIN log ON log.id = log_entry.log
            LEFT JOIN stream ON stream.id = log_entry.stream
            LEFT JOIN record ON record.id = log_entry.record
    """,
    # Made anew from the log when the store is opened.
    "DROP TABLE record_view",
    """
    CREATE TABLE record_state (
        record INTEGER PRIMARY KEY,
        parent INTEGER,
        stream INTEGER NOT NULL,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1)),
        rests_on BLOB NOT NULL
    ) STRICT
    """,
    "CREATE INDEX record_state_by_parent ON record_state (parent) WHERE parent IS NOT NULL",
    """
    CREATE VIEW record_view AS
        SELECT coalesce(record.name, '?') AS record,
            substr(record.name, 1, instr(record.name, '/') - 1) AS kind,
            iif(parent IS NULL, NULL, coalesce(above.name, '?')) AS parent,
            coalesce(stream.name, '?') AS stream, has_conflict, rests_on
        FROM record_state
            LEFT JOIN record ON record.id = record_state.record
            LEFT JOIN record AS above ON above.id = record_state.parent
            LEFT JOIN stream ON stream.id = record_state.stream
    """,
)


def upgrade() -> None:
    """Move every operation into the new tables, in its order and under its number."""
    connection = op.get_bind().connection.driver_connection
    assert isinstance(connection, sqlite3.Connection)  # noqa: S101  there is no other
    for statement in TABLES:
        connection.execute(statement)
    _move(connection)
    for statement in AFTER:
        connection.execute(statement)


def _move(connection: sqlite3.Connection) -> None:
    rows = connection.execute(
        "SELECT seq, device, epoch, counter, stream, record, stamp, hash, body, commitment,"
        " received_ms, is_quarantined FROM operation ORDER BY seq"
    )
    handles = Handles(connection)
    while some := list(islice(rows, ROWS_AT_ONCE)):
        records = handles.enter_records({row[5] for row in some}).by_name
        bodies = iter(keep_bodies(connection, [row[8] for row in some if row[8] is not None]))
        for (device, epoch), of_log in groupby(some, key=lambda row: (row[1], row[2])):
            log = handles.enter_log(device, epoch)
            connection.executemany(
                "INSERT INTO log_entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        row[0],
                        log,
                        row[3],
                        handles.enter_stream(row[4]),
                        records[row[5]],
                        _shorten(row[6], device),
                        row[7],
                        *((None, None, row[9]) if row[8] is None else (*next(bodies), None)),
                        *row[10:],
                    )
                    for row in of_log
                ],
            )


def _shorten(stamp: str, device: str) -> Any:  # noqa: ANN401  a number or the text
    # Whatever stands there: a store that was changed behind our back is moved as it is.
    try:
        short = shorten_stamp(stamp, device)
    except ValueError:
        return stamp
    if isinstance(short, int) and read_stamp_number(short, device) == stamp:
        return short
    return stamp
