"""A device that writes down what it is told to, over what stands, and signs it."""

from typing import Any

from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation
from tests.unit.api.standing_unit import StandingUnit, texts


class Tablet:
    """Writes as a tablet does, one operation after another in one log."""

    def __init__(self, unit: StandingUnit, device: str) -> None:
        self.unit, self.device = unit, device
        self.log: list[Operation] = []

    def write(self, record: str, fields: dict[str, Any]) -> dict[str, Any]:
        """Return the push of one operation; it continues the log once it was taken in."""
        store = self.unit.store
        with store.transaction():
            state = store.views.state_of(record)
        number = len(self.log) + 1
        now_ms = self.unit.environment.now_ms()
        self.written = make_operation(
            device=self.device,
            epoch="ep01",
            counter=number,
            previous=self.log[-1].hash if self.log else "",
            stream=store.catalogue.kinds[record.split("/")[0]].stream,
            record=record,
            stamp=str(Stamp(now_ms, 0, self.device)),
            body=Body(
                salt=f"{number:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=store.catalogue.version,
                set=fields,
                over={
                    name: state.fields[name].references
                    for name in fields
                    if state is not None and name in state.fields
                },
                retract=(),
            ),
        )
        signer = self.unit.signers.get(self.device)
        return {
            "device": self.device,
            "operations": texts(self.written),
            "signature": signer.sign_head(self.written) if signer else None,
        }

    def keep(self) -> None:
        """Go on after what was written last."""
        self.log.append(self.written)
