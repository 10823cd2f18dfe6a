"""The chain of access events: who read, searched, exported or logged in, and was let or not.

Each event is one line of JSON that names the hash of the line before it, so that no line can be
changed, taken out, put in or moved unseen; a signed head says how far the chain had come (AU).
"""

import hashlib
from collections.abc import Iterator
from typing import Literal

import msgspec

from api.storage.any_connection import Connection
from api.storage.p256 import is_signed_text, name_key_text, read_base64, write_base64
from api.storage.server_key import ServerKey

DAY_MS = 86_400_000

# Moments of thirteen digits are in the order of their texts: from 2001 to 2286.
_SHORTEST_MS, _LONGEST_MS = 10**12, 10**13
# As they are indexed. Before them stand numbers and a hash alone, so that the first is it (AU1).
_TIMES = (
    """substr(line, instr(line, '"at_ms":') + 8, 14)""",
    """substr(line, instr(line, '"noted_ms":') + 11, 14)""",
)
_WITHIN = " UNION ".join(
    f"SELECT seq FROM access_event WHERE {time} BETWEEN ? AND ?"  # noqa: S608
    for time in _TIMES
)

Asker = Literal["public", "joining", "device", "person", "machine"]
Outcome = Literal["done", "refused", "wrong", "waiting", "removed"]


class AccessEvent(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One access, as whoever met it tells it; record ids and no names.

    Parameters
    ----------
    at_ms : int
        When it happened, by the clock of whoever tells it.
    asker : str
        Kind of who asked.
    who : str
        `staff/<id>`, a device id, or "" where nobody is known.
    verb : str
        What was done: `read`, `search`, `export`, `break-glass`, `log-in`, `unlock`, ...
    object : str
        What it was done to: `patient`, `document`, `session`, ...
    records : tuple of str
        Record names; of many the patients alone.
    device : str
        Device on which a person did it, where it is known and is not ``who``.
    told : str
        Where a device tells it: place and hash in the chain of the device, else "".
    """

    at_ms: int
    asker: Asker
    verb: str
    object: str
    who: str = ""
    role: str = ""
    device: str = ""
    records: tuple[str, ...] = ()
    why: str = ""
    outcome: Outcome = "done"
    told: str = ""


class AccessLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one line of the chain says, in the order of its keys (AU1)."""

    seq: int
    previous: str
    noted_ms: int
    at_ms: int
    asker: Asker
    who: str
    role: str
    device: str
    verb: str
    object: str
    records: tuple[str, ...]
    why: str
    outcome: Outcome
    told: str


class AccessHead(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far the chain had come, signed by the server; key and signature are base64."""

    seq: int
    hash: str
    at_ms: int
    key: str
    signature: str

    @property
    def signed_text(self) -> str:
        """The text that the server signs (AU2)."""
        return f"crura-access-head\n{self.seq}\n{self.hash}\n{self.at_ms}"

    @property
    def is_sound(self) -> bool:
        """Say whether the signature fits the key that it names."""
        return is_signed_text(self.key, self.signed_text, self.signature)

    @property
    def key_id(self) -> str:
        """The id of the key, "" where it is none."""
        return name_key_text(self.key)


class AccessLog(msgspec.Struct, frozen=True):
    """The chain in SQLite. Transactions are the caller's."""

    connection: Connection

    def tip(self) -> tuple[int, str]:
        """Return number and hash of the last line; 0 and "" where there is none."""
        row = self.connection.execute(
            "SELECT seq, hash FROM access_event ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        return (row[0], row[1].hex()) if row else (0, "")

    def append(self, event: AccessEvent, *, noted_ms: int) -> AccessLine:
        """Add an event as the next line of the chain."""
        seq, previous = self.tip()
        line = AccessLine(
            seq=seq + 1,
            previous=previous,
            noted_ms=noted_ms,
            **{name: getattr(event, name) for name in AccessEvent.__struct_fields__},
        )
        text = write_line(line)
        self.connection.execute(
            "INSERT INTO access_event VALUES (?, ?, ?)", (line.seq, text, _digest(text))
        )
        return line

    def texts(self, *, after: int = 0) -> Iterator[tuple[int, str, str]]:
        """Yield number, text and kept hash of every line after one, as they lie here."""
        for seq, text, hash_ in self.connection.execute(
            "SELECT seq, line, hash FROM access_event WHERE seq > ? ORDER BY seq", (after,)
        ):
            yield seq, text, hash_.hex()

    def lines(
        self,
        *,
        newest_first: bool = False,
        holding: str = "",
        within: tuple[int, int] | None = None,
    ) -> Iterator[AccessLine]:
        """Yield what every line says; one that cannot be read is left to `crura verify`.

        Parameters
        ----------
        holding : str
            Lines in whose text this stands, found by the database; "" for all.
        within : (int, int) or None
            First moment and the one after the last: lines that happened or were noted between
            them, found by index. A few others may be among them; None for all.
        """
        order = "DESC" if newest_first else "ASC"
        condition, values = "? = '' OR instr(line, ?) > 0", [holding, holding]
        if within is not None and within[0] >= _SHORTEST_MS and within[1] <= _LONGEST_MS:
            condition = f"({condition}) AND seq IN ({_WITHIN})"
            values += [f"{ms}," for ms in (within[0], within[1] - 1)] * 2
        rows = self.connection.execute(
            f"SELECT line FROM access_event WHERE {condition} ORDER BY seq {order}",  # noqa: S608
            values,
        )
        for (text,) in rows:
            line = read_line(text)
            if line is not None:
                yield line

    def keep_head(self, head: AccessHead) -> None:
        """Keep a signed head; of one line the first stays."""
        self.connection.execute(
            "INSERT INTO access_head VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (
                head.seq,
                bytes.fromhex(head.hash),
                head.at_ms,
                read_base64(head.key),
                read_base64(head.signature),
            ),
        )

    def heads(self) -> list[AccessHead]:
        """Return every signed head, oldest first."""
        rows = self.connection.execute(
            "SELECT seq, hash, at_ms, public_key, signature FROM access_head ORDER BY seq"
        )
        return [
            AccessHead(
                seq=seq,
                hash=hash_.hex(),
                at_ms=at_ms,
                key=write_base64(key),
                signature=write_base64(signature),
            )
            for seq, hash_, at_ms, key, signature in rows
        ]

    def last_head(self) -> tuple[int, int]:
        """Return number and time of the last signed head; zeros where there is none."""
        row = self.connection.execute(
            "SELECT seq, at_ms FROM access_head ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        return (row[0], row[1]) if row else (0, 0)

    def device_tip(self, device: str, chain: str) -> tuple[int, str]:
        """Return how far the own chain of a device was taken in; 0 and "" at its start."""
        row = self.connection.execute(
            "SELECT counter, hash FROM device_access WHERE device = ? AND chain = ?",
            (device, chain),
        ).fetchone()
        return (row[0], row[1].hex()) if row else (0, "")

    def told_in(self, device: str, chain: str) -> set[str]:
        """Return the places of a device's own chain that are held (``told``), in every version."""
        rows = self.connection.execute(
            "SELECT line FROM access_event WHERE instr(line, ?) > 0", (f'"told":"{chain}.',)
        )
        lines = (read_line(text) for (text,) in rows)
        return {line.told for line in lines if line is not None and line.device == device}

    def keep_device_tip(self, device: str, chain: str, counter: int, hash_: str) -> None:
        """Keep how far the own chain of a device was taken in."""
        self.connection.execute(
            "INSERT INTO device_access VALUES (?, ?, ?, ?) ON CONFLICT (device, chain)"
            " DO UPDATE SET counter = excluded.counter, hash = excluded.hash",
            (device, chain, counter, bytes.fromhex(hash_)),
        )


def sign_access_head(log: AccessLog, key: ServerKey, *, at_ms: int) -> AccessHead | None:
    """Sign and keep where the chain ends; None where it is empty.

    Notes
    -----
    Rule AU2.
    """
    seq, hash_ = log.tip()
    if seq == 0:
        return None
    bare = AccessHead(
        seq=seq, hash=hash_, at_ms=at_ms, key=write_base64(key.public_key), signature=""
    )
    head = msgspec.structs.replace(
        bare, signature=write_base64(key.sign(bare.signed_text.encode()))
    )
    log.keep_head(head)
    return head


def sign_last_line(log: AccessLog, key: ServerKey) -> None:
    """Sign where the chain ends where no head says it yet, with the time of its last line."""
    seq, _ = log.tip()
    if seq > log.last_head()[0]:
        last = next(log.lines(newest_first=True), None)
        sign_access_head(log, key, at_ms=last.noted_ms if last else 0)


def write_line(line: AccessLine) -> str:
    """Return the text of a line: its keys in their order, no blanks (AU1)."""
    return msgspec.json.encode(line).decode()


def read_line(text: str) -> AccessLine | None:
    """Return what a line says, None where it is none of ours."""
    try:
        return msgspec.json.decode(text, type=AccessLine)
    except (msgspec.MsgspecError, UnicodeError):
        return None


def hash_line(text: str) -> str:
    """Return the hash that the next line names."""
    return _digest(text).hex()


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
