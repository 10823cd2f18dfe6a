"""A unit with one treated case, as its network is told of it; and what was told."""

import itertools
from contextlib import contextmanager

from api.storage.unit_store import open_unit_store
from api.use_cases.publish_registry import OF_CASES, publish_registry
from api.use_cases.read_registry_cases import read_registry_records
from api.use_cases.server_log import Chance
from tests.unit.api.clinic_story import Story

TODAY, NOW_MS = "2026-06-01", 1_780_315_200_000
CASE, PATIENT, VISIT = "case/c-1", "patient/p-1", "visit/v-1"


class RegistryUnit:
    """Writes care as tablets do, and reads what the network would be told."""

    def __init__(self, store):
        self.store = store
        self.story = Story(store, device="tablet-a", now_ms=NOW_MS - 86_400_000)
        self.drawn = itertools.count(1)
        self.now_ms = NOW_MS
        self.write(
            "site/s-1",
            name="Tarn Hollow",
            time_zone="Europe/London",
            holidays_of={"country": "GB", "subdivision": "ENG"},
        )

    def write(self, record, **fields):
        with self.store.transaction():
            return self.story.write(record, **fields)

    def strike(self, *operations):
        for one in operations:
            self.write(one.record, retract=(one.reference,))

    def treat(self, case=CASE, patient=PATIENT, on="2026-03-02", **fields):
        """Write a patient and a closed case with one puncture and one coil on a day."""
        stem = case.partition("/")[2]
        if patient:
            self.write(
                patient,
                family_name="Greyfen",
                given_name="Ada",
                born_on="1961-07-14",
                sex="female",
                local_id="TH-0042",
            )
        told = {"patient": patient} if patient else {}
        self.write(case, stage="closed", procedure_on=on, **told, **fields)
        self.write(f"target/{stem}", case=case, label="Varix A", size={"short_axis_um": 14_000})
        self.act(f"puncture/{stem}", f"{on}T10:00:00+00:00", case=case)
        self.coil(f"coil_placed/{stem}-1", f"{on}T10:10:00+00:00", case=case)

    def act(self, record, at, case=CASE, **fields):
        return self.write(record, case=case, at=at, **fields)

    def coil(self, record, at, case=CASE, lot="L-0417-A", **device):
        held = {"lot": lot, "serial": "SN-5511", "expires_on": "2028-04-09", **device}
        return self.act(record, at, case, device=held, slot=1)

    def visit(self, visit=VISIT, case=CASE, on="2026-04-02", **fields):
        window = {"earliest_on": on, "target_on": on, "latest_on": on}
        told = {"patient": PATIENT, "label": "Look", **fields}
        self.write(visit, case=case, window=window, **told)

    def look(self, visit=VISIT, case=CASE, on="2026-04-02", **found):
        """Write a visit that took place and what was seen there."""
        self.visit(visit, case, on, status="attended", booking={"session": "", "on": on})
        return self.write(
            f"visit_result/{visit.partition('/')[2]}", case=case, visit=visit, on=on, **found
        )

    def read(self, kind, on=TODAY):
        """Return the fields of all records of a kind, with the unit's own names and days."""
        records = read_registry_records(self.store, on=on)
        return [one.fields for one in records if one.kind == kind]

    def case(self, record=CASE):
        records = read_registry_records(self.store, on=TODAY)
        return next(one.fields for one in records if one.name == record)

    def draw_chance(self):
        return Chance(
            new_id=f"{next(self.drawn):032x}",
            new_epoch=f"{next(self.drawn):016x}",
            salt=f"{next(self.drawn):032x}",
            now_ms=self.now_ms,
        )

    def publish(self, now_ms=NOW_MS):
        self.now_ms = now_ms
        return publish_registry(self.store, now_ms=now_ms, draw_chance=self.draw_chance)

    def told(self, kind):
        """Return what the network was told of a kind: record to fields that stand."""
        with self.store.transaction():
            states = self.store.views.of_kind(kind)
        return {
            one.record: {
                name: [held.value for held in field.values] for name, field in one.fields.items()
            }
            for one in states
            if not one.is_entered_in_error
        }

    def operations(self):
        with self.store.transaction():
            found = self.store.operations.of_stream("registry", after=0, limit=10_000)
        return [one.operation for one in found]

    def everything(self):
        return {kind: self.told(kind) for kind in OF_CASES}


@contextmanager
def registry_unit(folder):
    store = open_unit_store(folder, new_generation="generation-1")
    try:
        yield RegistryUnit(store)
    finally:
        store.close()


def closing(unit, **answers):
    """Answer at close-out of the first case."""
    unit.write("step_event/c-1-close-out", case=CASE, step="close_out", answers=answers)
