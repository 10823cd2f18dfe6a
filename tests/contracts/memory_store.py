"""A store of operations in memory, held to the same contract as the real ones."""

import copy

from sync.conflict import list_conflicts
from sync.errors import SyncError
from sync.merge import RecordState, merge_record
from sync.merge_policies import FieldPolicy
from sync.operation import Operation, read_operation
from sync.operation_log import Place, Tip, place_operation

Texts = tuple[str, str]


class MemoryStore:
    """Keeps everything in lists; `disk` is what a restart finds."""

    def __init__(self, policies: dict[str, dict[str, FieldPolicy]]) -> None:
        self._policies = policies
        self._log: list[Operation] = []
        self._set_aside: list[Texts] = []

    def _log_of(self, device: str, epoch: str) -> list[Operation]:
        return [one for one in self._log if (one.device, one.epoch) == (device, epoch)]

    def take_in(self, texts: list[Texts]) -> None:
        """Take in what continues its log; set the rest aside, each alone."""
        for envelope, body in texts:
            try:
                operation = read_operation(envelope, body)
            except SyncError:
                self._set_aside.append((envelope, body))
                continue
            log = self._log_of(operation.device, operation.epoch)
            held = {one.counter: one.hash for one in log}
            tip = self.tip(operation.device, operation.epoch)
            place = place_operation(tip, operation, held.get(operation.counter))
            if place is Place.NEXT:
                self._log.append(operation)
            elif place is not Place.HELD:
                self._set_aside.append((envelope, body))

    def tip(self, device: str, epoch: str) -> Tip:
        """Return the end of one log."""
        log = self._log_of(device, epoch)
        return Tip(epoch, log[-1].counter, log[-1].hash) if log else Tip(epoch, 0, "")

    def state(self, record: str) -> RecordState | None:
        """Return the state of a record, merged anew."""
        operations = [one for one in self._log if one.record == record]
        if not operations:
            return None
        return merge_record(record, operations, self._policies.get(operations[0].kind, {}))

    def held(self, record: str) -> list[Texts]:
        """Return the exact texts about a record."""
        return [
            (one.envelope_text, one.body_text or "") for one in self._log if one.record == record
        ]

    def conflicts(self) -> list[tuple[str, str]]:
        """Return record and field of every open conflict."""
        states = [self.state(record) for record in sorted({one.record for one in self._log})]
        return [
            (conflict.record, conflict.field)
            for state in states
            if state
            for conflict in list_conflicts(state)
        ]

    def set_aside(self) -> list[Texts]:
        """Return the exact texts in quarantine."""
        return list(self._set_aside)

    def restart(self) -> "MemoryStore":
        """Return a copy that shares nothing with this one."""
        return copy.deepcopy(self)
