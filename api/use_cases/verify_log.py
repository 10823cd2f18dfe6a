"""Verify the log: every hash, chain, commitment and view, without trusting what is stored."""

from collections.abc import Iterator

import msgspec

from api.storage.operation_store import OperationStore
from api.storage.unit_store import UnitStore
from sync.errors import SyncError
from sync.operation import Operation, read_operation
from sync.operation_log import verify_chain


class Verification(msgspec.Struct, frozen=True):
    """How much was looked at, and one sentence for each thing found wrong."""

    operations: int
    logs: int
    findings: tuple[str, ...]


class _AlteredError(SyncError):
    """A stored hash is not that of the stored envelope."""


def verify_log(store: UnitStore) -> Verification:
    """Walk every log from its first operation and compare the views with a fresh merge.

    Notes
    -----
    Rules OP3, OP5, LG1. A log cut off at its end cannot be told from a shorter one here; the
    next handshake of its device tells (EX2).
    """
    findings: list[str] = []
    count = 0
    with store.transaction():
        sound = store.check_file()
        if sound != "ok":
            findings.append(f"The file is damaged ({sound}). Restore it from a backup.")
        logs = store.operations.logs()
        for device, epoch in logs:
            walked = _Counted(_reread(store.operations, device, epoch))
            try:
                verify_chain(walked)
            except SyncError as error:
                findings.append(str(error))
            count += walked.count
        findings.extend(
            f"The view of {record} is not what the log says. Run crura rebuild-views."
            for record in store.views.differing()
        )
    return Verification(count, len(logs), tuple(findings))


class _Counted:
    def __init__(self, operations: Iterator[Operation]) -> None:
        self._operations = operations
        self.count = 0

    def __iter__(self) -> Iterator[Operation]:
        for operation in self._operations:
            self.count += 1
            yield operation


def _reread(operations: OperationStore, device: str, epoch: str) -> Iterator[Operation]:
    """Yield one log, each operation read anew from its texts."""
    for stored in operations.of_log(device, epoch):
        read = read_operation(stored.envelope_text, stored.body_text)
        if read.hash != stored.hash:
            message = (
                f"The stored hash of {stored.op_id} is not that of its envelope: it was changed "
                "here. Restore the store from a backup; the devices send the rest again."
            )
            raise _AlteredError(message)
        yield read
