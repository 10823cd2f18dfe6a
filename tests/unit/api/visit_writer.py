"""A device whose people write on visits: over what its screen shows, as a person with a role."""

from typing import Any

from api.storage.unit_store import read_packaged_catalogue
from sync.clock import Stamp
from sync.merge import RecordState, merge_record
from sync.operation import Body, Operation, make_operation
from tests.unit.api.standing_unit import NOON_MS

CATALOGUE = read_packaged_catalogue()
VISIT = "visit/v-1"


class VisitWriter:
    """Holds its own log and what it has read of others; the screen is the merge of both."""

    def __init__(self, device: str, *, epoch: str = "ep01") -> None:
        self.device, self.epoch = device, epoch
        self.log: list[Operation] = []
        self.held: dict[str, Operation] = {}
        self.ahead_ms = 0

    def read(self, *operations: Operation) -> None:
        """Take notice of what others wrote; no later stamp is earlier than theirs."""
        for one in operations:
            self.held[one.reference] = one
            self.ahead_ms = max(self.ahead_ms, int(one.stamp[:15]) - NOON_MS + 1)

    def screen(self, record: str = VISIT) -> RecordState:
        """Return what the device shows of a record."""
        of_record = [one for one in self.held.values() if one.record == record]
        return merge_record(record, of_record, CATALOGUE.policies_of(record.split("/", 1)[0]))

    def write(
        self,
        record: str = VISIT,
        *,
        by: str = "staff/wren",
        over: dict[str, tuple[str, ...]] | None = None,
        retract: tuple[str, ...] = (),
        catalogue: int = CATALOGUE.version,
        **fields: Any,
    ) -> Operation:
        """Write fields over what is on screen, or over what `over` says was there."""
        if over is None:
            shown = self.screen(record).fields
            over = {name: shown[name].references for name in fields if name in shown}
        self.ahead_ms += 1
        operation = make_operation(
            device=self.device,
            epoch=self.epoch,
            counter=len(self.log) + 1,
            previous=self.log[-1].hash if self.log else "",
            stream=CATALOGUE.kinds[record.split("/", 1)[0]].stream,
            record=record,
            stamp=str(Stamp(NOON_MS + self.ahead_ms, 0, self.device)),
            body=Body(
                salt=f"{len(self.log) + 1:032x}",
                by=by,
                tapped_by=by,
                catalogue=catalogue,
                set=fields,
                over=over,
                retract=retract,
            ),
        )
        self.log.append(operation)
        self.read(operation)
        return operation
