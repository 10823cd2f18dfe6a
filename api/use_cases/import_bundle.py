"""Import a bundle: each operation taken in, known already, waiting, or set aside alone."""

import re

import msgspec

from api.storage.bundle import Bundle, HeadSignature
from api.storage.signatures import is_head_signed
from api.storage.unit_store import UnitStore
from api.use_cases.brought_entries import BroughtEntries
from api.use_cases.log_receiver import LogReceiver, SetAside, read_or_explain
from api.use_cases.server_log import SERVER_DEVICE
from sync.errors import MalformedOperationError
from sync.operation_log import Place

_OP_ID = re.compile(r'"op_id":"([^"]{1,80})"')


class Imported(msgspec.Struct, frozen=True):
    """What became of the operations of a bundle.

    ``waiting`` counts what waits here for earlier operations of its log; ``left_of_unit`` counts
    what a unit server wrote, left in a file that nobody vouched for.
    """

    new: int
    known: int
    waiting: int
    left_of_unit: int
    set_aside: tuple[SetAside, ...]


def import_bundle(
    store: UnitStore, bundle: Bundle, *, now_ms: int, is_of_unit: bool = False
) -> Imported:
    """Take in a bundle by the rules of the exchange; all of it is on disk at the end, or none.

    Cases in it then wait for the second check of their plans (`check_plans`).

    Parameters
    ----------
    is_of_unit : bool
        A person vouches that a unit of ours saved the file: only then is what its server wrote
        (rule files that count, going live) taken in.

    Notes
    -----
    Rules BU3, BU4, LG1-LG4, EX11. Who imports by hand vouches for logs of devices that never
    joined here; like a resupplied log, each counts as unsigned until its own device signs.
    """
    with store.transaction():
        importer = _Importer(store, bundle.manifest.made_by, now_ms, is_of_unit=is_of_unit)
        for envelope, body in bundle.operations:
            importer.take(envelope, body)
        imported = importer.close()
        for signature in bundle.signatures:
            _keep_signature(store, signature)
        return imported


def _keep_signature(store: UnitStore, one: HeadSignature) -> None:
    """Keep a signature by a key that is enrolled here, over a head that is held here (BU6)."""
    head = one.head()
    held = store.operations.hash_at(one.device, one.epoch, one.counter)
    if head is None or held != head.hash:
        return
    keys = [key for key in store.signatures.keys_of(one.device) if key.key_id == one.key]
    # A held hash is that of an operation: the head is one of a log.
    if any(is_head_signed(head, key) for key in keys):
        store.signatures.keep_head(head)


class _Importer:
    """One bundle on its way into the logs."""

    def __init__(self, store: UnitStore, made_by: str, now_ms: int, *, is_of_unit: bool) -> None:
        self._store = store
        self._made_by = made_by
        self._now_ms = now_ms
        self._is_of_unit = is_of_unit
        self._receiver = LogReceiver(store, now_ms)
        self._brought = BroughtEntries(store, self._receiver, now_ms=now_ms)
        self._count_before = store.operations.count_sound()
        self._known = self._left_of_unit = 0

    def take(self, envelope: str, body: str) -> None:
        try:
            operation, forged = read_or_explain(envelope, body)
        except MalformedOperationError as error:
            found = _OP_ID.search(envelope)
            self._quarantine(found[1] if found else "unknown", envelope, body, str(error))
            return
        if operation.device == SERVER_DEVICE and not self._is_of_unit:
            self._left_of_unit += 1
        else:
            place = self._brought.take(
                operation,
                (envelope, body),
                forged,
                supplied_by=self._made_by,
                is_vouched=self._is_of_unit,
                is_by_hand=True,
            )
            self._known += place is Place.HELD

    def close(self) -> Imported:
        self._brought.let_in_waiting()
        self._receiver.write()
        return Imported(
            new=self._store.operations.count_sound() - self._count_before,
            known=self._known,
            waiting=sum(self._store.waiting.gaps().values()),
            left_of_unit=self._left_of_unit,
            set_aside=tuple(self._receiver.set_aside),
        )

    def _quarantine(self, op_id: str, envelope: str, body: str, sentence: str) -> None:
        self._store.operations.quarantine(op_id, envelope, body, sentence, received_ms=self._now_ms)
        self._receiver.set_aside.append(SetAside(op_id, sentence))
