"""Writes the booking stream of a unit as its devices would: each writing replaces what it saw."""

from typing import Any

from api.clinical_rules.civil_date import add_days
from api.storage.unit_store import UnitStore
from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation


class Story:
    """A device that writes into a store, one operation at a time, at a given wall clock."""

    def __init__(self, store: UnitStore, *, device: str = "desk-a", now_ms: int) -> None:
        self.store, self.device, self.now_ms = store, device, now_ms
        self.log: list[Operation] = []

    def write(
        self, record: str, *, sees: bool = True, retract: tuple[str, ...] = (), **fields: Any
    ) -> Operation:
        """Write fields on a record; without ``sees`` beside what stands, as one offline would."""
        state = self.store.views.state_of(record) if sees else None
        over = {
            name: state.fields[name].references
            for name in fields
            if state is not None and name in state.fields
        }
        self.now_ms += 1
        operation = make_operation(
            device=self.device,
            epoch="ep01",
            counter=len(self.log) + 1,
            previous=self.log[-1].hash if self.log else "",
            stream=self.store.catalogue.kinds[record.split("/", 1)[0]].stream,
            record=record,
            stamp=str(Stamp(self.now_ms, 0, self.device)),
            body=Body(
                salt=f"{len(self.log) + 1:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=self.store.catalogue.version,
                set=fields,
                over=over,
                retract=retract,
            ),
        )
        self.log.append(operation)
        self.store.operations.append([operation], received_ms=self.now_ms)
        self.store.views.refresh([record])
        return operation

    def session(self, name: str, on: str, *, place: str = "Room 4", **more: Any) -> str:
        """Lay out a session and return its record."""
        record = f"clinic_session/{name}"
        held = {"on": on, "starts": more.pop("starts", "09:00"), "time_zone": "Europe/London"}
        self.write(record, place=place, held=held, capacity=5, equipment=["scope"], **more)
        return record

    def book(self, visit: str, session: str, on: str, time: str = "09:30", **more: Any) -> None:
        """Book a visit."""
        booking = {"session": session, "on": on, "time": time}
        self.write(visit, booking=booking, status="booked", **more)


def tell_small_clinic(story: Story, today: str) -> None:
    """Write a booked patient who can be reached, and one with an implant and no next act."""
    story.write(
        "patient/p-1",
        family_name="Greyfen",
        address="1 Road",
        local_id="TH-1",
        phone="01632 960 042",
        letter_language="de",
    )
    story.session("near", add_days(today, 2))
    story.write("visit/v-1", patient="patient/p-1", status="to-book")
    story.book("visit/v-1", "clinic_session/near", add_days(today, 2))
    story.write("patient/p-2", family_name="Larkmere", local_id="TH-2")
    story.write("case/c-2", patient="patient/p-2")
    story.write("coil_placed/k-2", case="case/c-2", at="2025-11-03T10:00:00+00:00")
