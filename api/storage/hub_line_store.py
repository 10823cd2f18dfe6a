"""What a unit keeps of its line to the hub: where it is, how far both have read, what was said."""

import msgspec

from api.storage.any_connection import Connection

_COLUMNS = (
    "address, device, token, hub_name, hub_key, fingerprint, joined_ms, is_waiting, server,"
    " read_to, last_read_after, last_read_hash, is_recovering, is_offering, last_contact_ms,"
    " last_try_ms, next_try_ms, failures, outcome, sentence"
)


class HubLine(msgspec.Struct, frozen=True, kw_only=True):
    """The line to the hub that a unit joined; times are wall milliseconds of the unit's server.

    Parameters
    ----------
    device : id under which the hub knows this unit.
    hub_key : the hub server's public key in base64, as it told it at joining.
    fingerprint : six digits of this unit's key; a person compares them at the hub (RQ6).
    server : generation of the hub's store that answered last, "" before any answer.
    read_to : receipt number of the hub up to which its stream was read.
    last_read_after, last_read_hash : the last entry of the hub that was read (EX20).
    is_recovering, is_offering : own entries are still to be read back, or to be offered (EX10).
    failures : tries without success since the last one that succeeded.
    outcome : of the last try: ``done``, ``refused`` or ``no_network``; "" before any.
    sentence : why the last try failed or what a person has to know, "" when all is well.
    """

    address: str
    device: str
    token: str
    hub_name: str
    hub_key: str
    fingerprint: str
    joined_ms: int
    is_waiting: bool
    server: str = ""
    read_to: int = 0
    last_read_after: int = 0
    last_read_hash: str = ""
    is_recovering: bool = False
    is_offering: bool = False
    last_contact_ms: int | None = None
    last_try_ms: int | None = None
    next_try_ms: int | None = None
    failures: int = 0
    outcome: str = ""
    sentence: str = ""


class HubLineStore:
    """The line in SQLite. Transactions are the caller's."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def find(self) -> HubLine | None:
        """Return the line, None for a unit that has joined no hub."""
        row = self._connection.execute(f"SELECT {_COLUMNS} FROM hub_line").fetchone()  # noqa: S608
        if row is None:
            return None
        found = dict(zip(HubLine.__struct_fields__, row, strict=True))
        for name in ("is_waiting", "is_recovering", "is_offering"):
            found[name] = bool(found[name])
        return HubLine(**found)

    def keep(self, line: HubLine) -> None:
        """Keep the line as it stands now."""
        self._connection.execute("DELETE FROM hub_line")
        content = msgspec.structs.astuple(line)
        marks = ", ".join("?" for _ in content)
        self._connection.execute(
            f"INSERT INTO hub_line (number, {_COLUMNS}) VALUES (1, {marks})",  # noqa: S608
            tuple(int(one) if isinstance(one, bool) else one for one in content),
        )

    def forget(self) -> None:
        """Leave the hub: what was read of it stays, the line is no more."""
        self._connection.execute("DELETE FROM hub_line")
        self._connection.execute("DELETE FROM hub_held")
        self._connection.execute("DELETE FROM hub_refusal")

    def note_refused(self, op_id: str, sentence: str, *, noted_ms: int) -> None:
        """Keep why the hub has set an own operation aside; told again it stays as it was."""
        self._connection.execute(
            "INSERT INTO hub_refusal (op_id, sentence, noted_ms) VALUES (?, ?, ?)"
            " ON CONFLICT DO NOTHING",
            (op_id, sentence, noted_ms),
        )

    def refused(self) -> list[tuple[str, str]]:
        """Return what the hub has set aside of ours, with its sentences, oldest first."""
        return self._connection.execute(
            "SELECT op_id, sentence FROM hub_refusal ORDER BY noted_ms, op_id"
        ).fetchall()

    def held(self) -> dict[str, int]:
        """Return up to which counter the hub holds each epoch of the registry log."""
        rows = self._connection.execute("SELECT epoch, held FROM hub_held ORDER BY epoch")
        return dict(rows.fetchall())

    def note_held(self, epoch: str, counter: int) -> None:
        """Note up to which counter the hub holds an epoch."""
        self._connection.execute(
            "INSERT INTO hub_held (epoch, held) VALUES (?, ?)"
            " ON CONFLICT (epoch) DO UPDATE SET held = excluded.held",
            (epoch, counter),
        )

    def forget_held(self) -> None:
        """Note that the hub was put back: of no epoch is it known what it holds."""
        self._connection.execute("UPDATE hub_held SET held = 0")
