"""Verify the store: every hash, chain, signature, set-aside text and view, trusting nothing."""

from collections.abc import Callable, Iterable
from functools import partial

import msgspec

from api.storage.access_log import AccessHead
from api.storage.errors import UNREADABLE
from api.storage.outside_heads import OutsideHeads
from api.storage.unit_store import UnitStore
from api.use_cases.answer_snapshot import are_sealed_under_key
from api.use_cases.erase_records import judge_erasures, records_under_erased
from api.use_cases.heads_outside import judge_outside_heads
from api.use_cases.older_copy import find_older_copy_claim
from api.use_cases.verify_access import judge_access_log
from api.use_cases.verify_pictures import judge_pictures
from api.use_cases.verify_signatures import LogStanding, judge_log_signatures, judge_sealed_heads
from sync.errors import SyncError
from sync.operation import Operation, read_operation


class Verification(msgspec.Struct, frozen=True):
    """How much was looked at, and one sentence for each thing found wrong.

    ``unsigned`` counts the logs that no device has signed here, or not to their end;
    ``set_aside`` the texts in quarantine; ``waiting`` the operations that leave a gap in their
    log or that others brought unsigned; ``absent_pictures`` the pictures whose bytes are not
    here; ``under_erased`` records that came in later under erased ones; ``older_copy`` says that a
    device has read what is not held here (EX21). None of them is wrong by itself.
    """

    operations: int
    logs: int
    findings: tuple[str, ...]
    unsigned: int = 0
    set_aside: int = 0
    waiting: int = 0
    absent_pictures: tuple[str, ...] = ()
    under_erased: tuple[str, ...] = ()
    older_copy: str = ""

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is to be known and is not wrong by itself."""
        remarks = []
        if self.unsigned:
            remarks.append(f"Logs that no device has signed here to their end: {self.unsigned}.")
        if self.set_aside:
            remarks.append(f"Entries set aside for the data manager: {self.set_aside}.")
        if self.waiting:
            remarks.append(
                "Entries that wait for earlier ones of their log, or for the signature of their "
                f"device: {self.waiting}."
            )
        if self.absent_pictures:
            names = ", ".join(self.absent_pictures)
            remarks.append(f"Pictures whose bytes are not here, or not yet: {names}.")
        if self.under_erased:
            names = ", ".join(self.under_erased)
            remarks.append(f"Records that came later under erased ones, to be erased too: {names}.")
        if self.older_copy:
            remarks.append(self.older_copy)
        return tuple(remarks)


def verify_log(
    store: UnitStore,
    access_heads: Iterable[AccessHead] = (),
    outside: Iterable[OutsideHeads] = (),
) -> Verification:
    """Walk every log from its first operation, its signatures, quarantine, views and segments.

    The seal was judged when the store was opened; a broken one is told of here.

    Parameters
    ----------
    access_heads : iterable of AccessHead
        Heads of the access log that were kept outside.
    outside : iterable of OutsideHeads
        Heads of whole days that were kept outside.

    Notes
    -----
    Rules OP3, OP5, LG1, LG6, SG8, SG9, SG10, AU3. Each operation is judged by itself, so that a
    damaged one does not hide what lies behind it. Whoever changes a log together with its keys and
    signatures, and takes the seal away, is not found here; the next handshake of its device tells
    (EX2).
    """
    return _Walk(store, tuple(access_heads), tuple(outside)).walk()


class _Walk:
    """One verification on its way through the store."""

    def __init__(
        self,
        store: UnitStore,
        access_heads: tuple[AccessHead, ...],
        outside: tuple[OutsideHeads, ...],
    ) -> None:
        self._store = store
        self._outside = outside
        self._access_heads = (*access_heads, *(one.access for one in outside if one.access))
        self._findings: list[str] = []
        self._count = 0
        self._logs: list[tuple[str, str]] = []
        self._damaged_records: set[str] = set()
        self._unsigned = 0
        self._set_aside = 0
        self._waiting = 0
        self._absent_pictures: list[str] = []
        self._under_erased: list[str] = []
        self._older_copy = ""

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
            tuple(self._absent_pictures),
            tuple(self._under_erased),
            self._older_copy,
        )

    def _walk_all(self) -> None:
        with self._store.transaction():
            self._look(self._judge_seal)
            self._look(self._judge_file)
            self._look(self._find_logs)
            for log in self._logs:
                self._look(partial(self._walk_log, *log))
            for part in (
                self._judge_lost_logs,
                self._judge_outside,
                self._judge_set_aside,
                self._judge_views,
                self._judge_pictures,
                self._judge_segments,
                self._judge_access,
                self._judge_erasures,
            ):
                self._look(part)

    def _look(self, part: Callable[[], None]) -> None:
        try:
            part()
        except UNREADABLE as error:
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
        last = 0
        for entry in self._store.operations.entries_of_log(device, epoch):
            operation = entry.operation
            self._count += 1
            finding = _judge_place(operation, last) or entry.trouble or _judge_texts(operation)
            if finding:
                self._findings.append(finding)
                self._damaged_records.add(operation.record)
            # Signatures are held against what has no gap before it.
            if operation.counter == len(hashes) + 1:
                hashes.append(operation.hash)
            last = operation.counter
        self._note(judge_log_signatures(self._store, device, epoch, hashes))

    def _judge_lost_logs(self) -> None:
        for device, epoch in self._store.signatures.signed_logs():
            if (device, epoch) not in self._logs:
                self._note(judge_log_signatures(self._store, device, epoch, []))

    def _note(self, standing: LogStanding) -> None:
        self._findings.extend(standing.findings)
        self._unsigned += not standing.is_signed

    def _judge_set_aside(self) -> None:
        operations = self._store.operations
        if lost := operations.entries_without_log():
            self._findings.append(
                f"Entries of which it is lost whose they are: {lost}. Restore the store from a "
                "backup."
            )
        self._set_aside = len(operations.quarantined())
        self._waiting = sum(self._store.waiting.gaps().values())
        claim = find_older_copy_claim(self._store)
        self._older_copy = claim.sentence if claim else ""
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

    def _judge_pictures(self) -> None:
        findings, self._absent_pictures = judge_pictures(self._store)
        self._findings.extend(findings)

    def _judge_outside(self) -> None:
        self._findings.extend(judge_outside_heads(self._store, self._outside))

    def _judge_access(self) -> None:
        self._findings.extend(judge_access_log(self._store, self._access_heads))

    def _judge_erasures(self) -> None:
        self._findings.extend(judge_erasures(self._store))
        self._under_erased = records_under_erased(self._store)

    def _judge_views(self) -> None:
        self._findings.extend(
            f"The view of {record} is not what the log says. Run crura rebuild-views."
            # Built anew without a damaged entry it would be less: the backup comes first.
            for record in self._store.views.differing()
            if record not in self._damaged_records
        )

    def _judge_segments(self) -> None:
        store = self._store
        # Under another key they are handed to nobody: whoever asks has them sealed anew.
        if not are_sealed_under_key(store):
            return
        for stream in store.snapshots.streams():
            for segment in store.snapshots.segments(stream):
                name = f"The segment {segment.first} to {segment.last} of stream {stream}"
                if not store.snapshots.judge(segment, store.server_key):
                    self._findings.append(
                        f"{name} is not what this unit sealed. Run crura rebuild-views."
                    )
                elif not store.snapshots.is_of_the_log(segment):
                    self._findings.append(
                        f"{name} holds other entries than its log. Restore the store from a backup."
                    )


def _judge_place(operation: Operation, last: int) -> str:
    """Return a sentence where an operation leaves a gap behind the counter before it, else ""."""
    if operation.counter == last + 1:
        return ""
    return (
        f"{operation.op_id} does not continue the log before it, which ends at {last}. Restore the "
        "store from a backup; the devices send the rest again."
    )


def _judge_texts(operation: Operation) -> str:
    """Return a sentence where an operation, read anew from its texts, is another, else ""."""
    try:
        read = read_operation(operation.envelope_text, operation.body_text)
    except SyncError as error:
        return f"What is stored as {operation.op_id} is no operation any more: {error}"
    if read.hash != operation.hash:
        return f"{operation.op_id} is not what its hash says. Restore the store from a backup."
    return ""
