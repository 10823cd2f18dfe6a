"""Verify the store: every hash, chain, signature, set-aside text and view, trusting nothing."""

import sqlite3
from collections.abc import Callable, Iterator
from functools import partial

import msgspec

from api.storage.errors import StorageError
from api.storage.operation_store import OperationStore
from api.storage.unit_store import UnitStore
from api.use_cases.verify_signatures import LogStanding, judge_log_signatures, judge_sealed_heads
from sync.errors import SyncError
from sync.operation import Operation, read_operation
from sync.operation_log import verify_chain

# What reading a damaged file brings up: each is a finding, never the end of the walk.
_UNREADABLE = (
    SyncError,
    StorageError,
    sqlite3.Error,
    msgspec.MsgspecError,
    ValueError,
    TypeError,
    AssertionError,
)


class Verification(msgspec.Struct, frozen=True):
    """How much was looked at, and one sentence for each thing found wrong.

    ``unsigned`` counts the logs that no device has signed here, or not to their end;
    ``set_aside`` the texts in quarantine; ``waiting`` the operations that leave a gap in their
    log. None of them is wrong by itself.
    """

    operations: int
    logs: int
    findings: tuple[str, ...]
    unsigned: int = 0
    set_aside: int = 0
    waiting: int = 0

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is to be known and is not wrong by itself."""
        remarks = []
        if self.unsigned:
            remarks.append(f"Logs that no device has signed here to their end: {self.unsigned}.")
        if self.set_aside:
            remarks.append(f"Entries set aside for the data manager: {self.set_aside}.")
        if self.waiting:
            remarks.append(f"Entries that wait for earlier ones of their log: {self.waiting}.")
        return tuple(remarks)


class _AlteredError(SyncError):
    """A stored hash is not that of the stored envelope."""


def verify_log(store: UnitStore) -> Verification:
    """Walk every log from its first operation, its signatures, the quarantine and the views.

    The seal was judged when the store was opened; a broken one is told of here.

    Notes
    -----
    Rules OP3, OP5, LG1, SG8, SG9. Whoever changes a log together with its keys and signatures,
    and takes the seal away, is not found here; the next handshake of its device tells (EX2).
    """
    return _Walk(store).walk()


class _Walk:
    """One verification on its way through the store."""

    def __init__(self, store: UnitStore) -> None:
        self._store = store
        self._findings: list[str] = []
        self._count = 0
        self._logs: list[tuple[str, str]] = []
        self._unsigned = 0
        self._set_aside = 0
        self._waiting = 0

    def walk(self) -> Verification:
        # A damaged file can make even the end of the reading fail.
        self._look(self._walk_all)
        return Verification(
            self._count,
            len(self._logs),
            tuple(self._findings),
            self._unsigned,
            self._set_aside,
            self._waiting,
        )

    def _walk_all(self) -> None:
        with self._store.transaction():
            self._look(self._judge_seal)
            self._look(self._judge_file)
            self._look(self._find_logs)
            for log in self._logs:
                self._look(partial(self._walk_log, *log))
            for part in (self._judge_lost_logs, self._judge_set_aside, self._judge_views):
                self._look(part)

    def _look(self, part: Callable[[], None]) -> None:
        try:
            part()
        except _UNREADABLE as error:
            self._findings.append(
                str(error)
                if isinstance(error, SyncError)
                else f"A part of the store cannot be read ({error}). Restore it from a backup."
            )

    def _judge_file(self) -> None:
        sound = self._store.check_file()
        if sound != "ok":
            self._findings.append(f"The file is damaged ({sound}). Restore it from a backup.")

    def _judge_seal(self) -> None:
        self._findings.extend(judge_sealed_heads(self._store))

    def _find_logs(self) -> None:
        self._logs = self._store.operations.logs()

    def _walk_log(self, device: str, epoch: str) -> None:
        hashes: list[str] = []
        try:
            verify_chain(self._counted(device, epoch, hashes))
        finally:
            self._count += len(hashes)
        standing = judge_log_signatures(self._store, device, epoch, hashes)
        self._note(standing)

    def _counted(self, device: str, epoch: str, hashes: list[str]) -> Iterator[Operation]:
        for operation in _reread(self._store.operations, device, epoch):
            hashes.append(operation.hash)
            yield operation

    def _judge_lost_logs(self) -> None:
        for device, epoch in self._store.signatures.signed_logs():
            if (device, epoch) not in self._logs:
                self._note(judge_log_signatures(self._store, device, epoch, []))

    def _note(self, standing: LogStanding) -> None:
        self._findings.extend(standing.findings)
        self._unsigned += not standing.is_signed

    def _judge_set_aside(self) -> None:
        operations = self._store.operations
        self._set_aside = len(operations.quarantined())
        self._waiting = sum(self._store.waiting.gaps().values())
        self._findings.extend(
            f"The text set aside as {op_id} was changed here. Restore the store from a backup."
            for op_id in operations.altered_in_quarantine()
        )
        self._findings.extend(
            f"{op_id} is set aside here and its text is gone. Restore the store from a backup."
            if is_set_aside
            else f"{op_id} has lost its content here. Restore the store from a backup."
            for op_id, is_set_aside in operations.without_texts()
        )

    def _judge_views(self) -> None:
        self._findings.extend(
            f"The view of {record} is not what the log says. Run crura rebuild-views."
            for record in self._store.views.differing()
        )


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
