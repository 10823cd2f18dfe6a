"""Erased records: their bodies are destroyed in the file, their commitments stay in the log.

An entry of an erased record is one whose body is withheld, as merges, pages and segments know
it already; this module makes it so and keeps it so.
"""

import hashlib
from collections.abc import Collection, Iterable, Sequence

import msgspec

from api.storage.any_connection import Connection
from api.storage.handles import Handles
from api.storage.squeezed_bodies import squeeze_bodies, unpack_bodies
from sync.operation import Operation

_TREE = (
    "WITH RECURSIVE below(id) AS (SELECT id FROM record WHERE name IN (SELECT value FROM"
    " json_each(?)) UNION SELECT record_state.record FROM record_state JOIN below"
    " ON record_state.parent = below.id) SELECT name FROM record JOIN below"
    " ON below.id = record.id ORDER BY name"
)
_IN = "IN (SELECT value FROM json_each(?))"
# Kept while the file may still hold, in pages that are free, what was destroyed.
UNSQUEEZED = "erasure to squeeze"


class ErasedRecords:
    """Erased records in SQLite. Transactions are the caller's, but for `squeeze_file`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._handles = Handles(connection)

    def tree_of(self, records: Iterable[str]) -> list[str]:
        """Return those of the records that are held and all under them, sorted."""
        return [row[0] for row in self._connection.execute(_TREE, (_list(records),))]

    def without_parent(self) -> list[str]:
        """Return the records that show no parent: struck ones among them."""
        rows = self._connection.execute(
            "SELECT name FROM record JOIN record_state ON record_state.record = record.id"
            " WHERE parent IS NULL ORDER BY name"
        )
        return [row[0] for row in rows]

    def listed(self) -> dict[str, str]:
        """Return the erasure of every erased record."""
        return dict(self._connection.execute("SELECT record, erasure FROM erased_record"))

    def is_erased(self, record: str) -> bool:
        """Say whether a record was erased here."""
        row = self._connection.execute("SELECT 1 FROM erased_record WHERE record = ?", (record,))
        return row.fetchone() is not None

    def are_there_any(self) -> bool:
        """Say whether anything was ever erased here."""
        row = self._connection.execute("SELECT 1 FROM erased_record LIMIT 1").fetchone()
        return row is not None

    def withhold(self, operations: Collection[Operation]) -> Collection[Operation]:
        """Return operations as they may be kept: without the bodies of erased records (ER3)."""
        if not self.are_there_any():
            return operations
        erased = self.listed()
        return [
            msgspec.structs.replace(one, body_text=None) if one.record in erased else one
            for one in operations
        ]

    def may_keep_body(self, envelope: str) -> bool:
        """Say whether the body of texts that are set aside may be kept (ER3)."""
        if not self.are_there_any():
            return True
        return record_in(envelope) not in self.listed()

    def bodies_of(self, records: Iterable[str]) -> int:
        """Return how many bodies of records are held, those set aside among them."""
        wanted = set(records)
        row = self._connection.execute(
            "SELECT count(*) FROM log_entry WHERE bodies IS NOT NULL AND record IN"  # noqa: S608
            f" (SELECT id FROM record WHERE name {_IN})",
            (_list(wanted),),
        ).fetchone()
        return int(row[0]) + len(self._aside(wanted)) + len(self._waiting(wanted))

    def erase(self, records: Collection[str], erasure: str) -> int:
        """Destroy every body of records and keep them erased; return how many bodies went.

        Views, segments and plan checks are the caller's to make anew.

        Notes
        -----
        Rules ER1, ER3.
        """
        self._connection.overwrite_freed()
        wanted = set(records)
        # With a handle of its own, so that what comes of it later is no new record.
        self._handles.enter_records(wanted)
        self._connection.executemany(
            "INSERT INTO erased_record VALUES (?, ?) ON CONFLICT DO NOTHING",
            [(record, erasure) for record in sorted(wanted)],
        )
        self._connection.execute(
            "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET"
            " content = excluded.content",
            (UNSQUEEZED, erasure),
        )
        gone = self._empty_entries(wanted)
        aside, waiting = self._aside(wanted), self._waiting(wanted)
        self._connection.executemany("DELETE FROM quarantine WHERE rowid = ?", aside)
        self._connection.executemany("DELETE FROM waiting_operation WHERE rowid = ?", waiting)
        return gone + len(aside) + len(waiting)

    def squeeze_file(self) -> None:
        """Write the file anew without free pages and empty its log file; outside a transaction."""
        self._connection.squeeze()
        self._connection.execute("DELETE FROM fact WHERE name = ?", (UNSQUEEZED,))

    def is_unsqueezed(self) -> bool:
        """Say whether an erasure was cut off before the file was squeezed."""
        row = self._connection.execute("SELECT 1 FROM fact WHERE name = ?", (UNSQUEEZED,))
        return row.fetchone() is not None

    def _empty_entries(self, records: Collection[str]) -> int:
        rows = self._connection.execute(
            "SELECT seq, bodies, place FROM log_entry WHERE bodies IS NOT NULL AND record IN"  # noqa: S608
            f" (SELECT id FROM record WHERE name {_IN}) ORDER BY bodies",
            (_list(records),),
        ).fetchall()
        of_piece: dict[int, list[tuple[int, int]]] = {}
        for seq, piece, place in rows:
            of_piece.setdefault(piece, []).append((seq, place))
        for piece, entries in of_piece.items():
            self._empty_piece(piece, entries)
        return len(rows)

    def _empty_piece(self, piece: int, entries: Sequence[tuple[int, int]]) -> None:
        """Take texts out of a piece; the others keep their places there."""
        row = self._connection.execute(
            "SELECT content FROM bodies WHERE id = ?", (piece,)
        ).fetchone()
        texts = unpack_bodies(row[0])
        self._connection.executemany(
            "UPDATE log_entry SET bodies = NULL, place = NULL, commitment = ? WHERE seq = ?",
            [(hashlib.sha256(texts[place].encode()).digest(), seq) for seq, place in entries],
        )
        for _, place in entries:
            texts[place] = ""
        if any(texts):
            self._connection.execute(
                "UPDATE bodies SET content = ? WHERE id = ?", (squeeze_bodies(texts), piece)
            )
        else:
            self._connection.execute("DELETE FROM bodies WHERE id = ?", (piece,))

    def _aside(self, records: Collection[str]) -> list[tuple[int]]:
        rows = self._connection.execute(
            "SELECT rowid, envelope FROM quarantine WHERE body IS NOT NULL"
        ).fetchall()
        return [(row,) for row, envelope in rows if record_in(envelope) in records]

    def _waiting(self, records: Collection[str]) -> list[tuple[int]]:
        rows = self._connection.execute("SELECT rowid, envelope FROM waiting_operation").fetchall()
        return [(row,) for row, envelope in rows if record_in(envelope) in records]


class _Envelope(msgspec.Struct):
    record: str = ""


def record_in(envelope: str) -> str:
    """Return the record that an envelope names, "" where it is none."""
    try:
        return msgspec.json.decode(envelope, type=_Envelope).record
    except (msgspec.MsgspecError, UnicodeError):
        return ""


def _list(names: Iterable[str]) -> str:
    return msgspec.json.encode(sorted(names)).decode()
