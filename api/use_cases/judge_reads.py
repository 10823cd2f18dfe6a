"""Judges what a device may read by the authorisation table: of the log, body by body.

A role that reads a stream as a list of kinds and fields is handed nothing else out of it: an entry
that says more comes without its body, so that its hash and the chain still verify. What the list
grants later, by a newer table or catalogue, is handed out then, from the first such entry on.
"""

import hashlib
from collections.abc import Callable, Iterable, Mapping

import msgspec

from api.access.access_table import AccessTable, Asker
from api.record_catalogue.catalogue import Catalogue
from api.storage.device_store import Device
from api.storage.packaged_access import read_packaged_access_table
from api.storage.unit_store import UnitStore
from sync.operation import Operation

# What a role with everything of a stream goes by; no digest is spelt so.
_ALL_OF_IT = "all"
_MARK = "withheld from"
# More segments and rules than any unit has; whoever asks after that has them judged once more.
_MOST_JUDGED = 10_000
_judged: dict[tuple[str, str], bool] = {}


class Reading(msgspec.Struct, frozen=True):
    """What one role may read of one stream.

    ``rule`` names the list: it changes with the table and with the kinds and fields of the
    catalogue that it is made of. ``is_listed`` is False where nothing has to be looked at.
    """

    table: AccessTable
    catalogue: Catalogue
    asker: Asker
    stream: str
    rule: str

    @property
    def is_listed(self) -> bool:
        """Say whether the role reads a list of kinds and fields, and not all there is."""
        return self.rule != _ALL_OF_IT

    def allows(self, kind: str, fields: Callable[[], Iterable[str]]) -> bool:
        """Say whether all of these fields of a kind may be read."""
        return (
            not self.is_listed
            or self.table.fields_denied(
                self.asker, "read", self.catalogue, stream=self.stream, kind=kind, fields=fields
            )
            == ()
        )

    def withhold(self, operation: Operation) -> Operation:
        """Return an operation as it may be handed out: as it is, or without its body."""
        if operation.body_text is None or self.may_read(operation.kind, operation.body_text):
            return operation
        return msgspec.structs.replace(operation, body_text=None)

    def may_read(self, kind: str, body: str) -> bool:
        """Say whether a body may be read; one with parts of a newer form may not."""
        try:
            return self.allows(kind, lambda: _fields_of(body))
        except msgspec.MsgspecError:
            return False


class _Said(msgspec.Struct, forbid_unknown_fields=True):
    """The parts of a body; of values nothing is read, so that it costs little."""

    salt: msgspec.Raw
    by: msgspec.Raw
    tapped_by: msgspec.Raw
    catalogue: msgspec.Raw
    set: dict[str, msgspec.Raw] = {}
    over: dict[str, msgspec.Raw] = {}
    retract: msgspec.Raw = msgspec.Raw()
    because: msgspec.Raw = msgspec.Raw()
    again: msgspec.Raw = msgspec.Raw()


_SAID = msgspec.json.Decoder(_Said)


def _fields_of(body: str) -> Iterable[str]:
    said = _SAID.decode(body)
    return (*said.set, *said.over)


def find_reading(catalogue: Catalogue, device: Device, stream: str) -> Reading:
    """Return what a device may read of a stream; decided once for a whole page.

    Notes
    -----
    SEC-21, SEC-23, FU-11.
    """
    table, asker = read_packaged_access_table(), Asker("device", device.role, device.id)
    grant = table.grants.get((asker.name, "read", stream))
    rule = _ALL_OF_IT
    if grant is None or not grant.is_open:
        known = {
            kind.id: [field.id for field in kind.fields]
            for kind in catalogue.kinds.values()
            if kind.stream == stream
        }
        said = msgspec.json.encode((asker.name, grant, known))
        rule = hashlib.sha256(said).hexdigest()
    return Reading(table, catalogue, asker, stream, rule)


def may_read_segment(
    reading: Reading, digest: str, lines: Callable[[], Iterable[tuple[str, str | None]]]
) -> bool:
    """Say whether a sealed segment holds nothing that has to be withheld.

    Parameters
    ----------
    lines : callable
        Gives kind and body of each entry; called once for each segment and rule.

    Notes
    -----
    Rule SN2. A segment never changes, and a rule is named by what it says: both are looked at once.
    """
    if not reading.is_listed:
        return True
    known = _judged.get((digest, reading.rule))
    if known is None:
        known = all(body is None or reading.may_read(kind, body) for kind, body in lines())
        if len(_judged) >= _MOST_JUDGED:
            _judged.clear()
        _judged[digest, reading.rule] = known
    return known


class _Withheld(msgspec.Struct, frozen=True):
    """From which receipt number on a device was handed a body less, and by which rule."""

    first: int
    rule: str


def note_withheld(store: UnitStore, reading: Reading, first: int) -> None:
    """Note that a body was withheld, so that it is told once it may be; in a transaction.

    Rule EX23.
    """
    name = _mark_of(reading.asker.id, reading.stream)
    held = _read_mark(store, name)
    if held is None or first < held.first:
        mark = _Withheld(first, reading.rule)
        store.keep_fact(name, msgspec.json.encode(mark).decode())


def begins_again(store: UnitStore, reading: Reading, after: int) -> int | None:
    """Return where a device has to read on, which was handed less than it may read by now.

    None where it reads on where it stands. Inside a transaction.

    Notes
    -----
    Rule EX23. The mark goes only once the device asks from before that entry: an answer that was
    lost on its way is given again.
    """
    name = _mark_of(reading.asker.id, reading.stream)
    held = _read_mark(store, name)
    if held is None or held.rule == reading.rule:
        return None
    if after >= held.first:
        return held.first - 1
    store.keep_fact(name, "")
    return None


def leave_out_begun_again(
    store: UnitStore, device: Device, heads: Mapping[str, int]
) -> dict[str, int]:
    """Return the heads of streams without those that a device has to read again from before.

    Of a stream that has no head it asks, wherever it stands (EX23).
    """
    return {
        stream: head
        for stream, head in heads.items()
        if (held := _read_mark(store, _mark_of(device.id, stream))) is None
        or held.rule == find_reading(store.catalogue, device, stream).rule
    }


def _mark_of(device: str, stream: str) -> str:
    return f"{_MARK} {device} {stream}"


def _read_mark(store: UnitStore, name: str) -> _Withheld | None:
    content = store.fact(name)
    return msgspec.json.decode(content, type=_Withheld) if content else None
