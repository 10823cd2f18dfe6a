"""A hub and two units with treated patients: coils of known and unknown lots, as people write."""

import random
from dataclasses import dataclass, field

from api.use_cases.people import add_person
from api.use_cases.publish_to_hub import exchange_with_hub
from tests.hub.standing_network import Line, NetworkUnit, StandingHub
from tests.unit.api.registry_unit import RegistryUnit

LOTS = ("L-0417-A", "L-0417-B", "QX77120", "QX77121")
FAMILY = ("Greyfen", "Marrowick", "Vareth", "Thornquist", "Okonkwo", "Saltmarsh")


@dataclass
class TreatingUnit:
    """A unit with cases, and what each coil really was: record, lot, how it was written down."""

    server: NetworkUnit
    care: RegistryUnit
    coils: list[tuple[str, str, str]] = field(default_factory=list)

    def person(self, name: str, role: str) -> str:
        return add_person(self.server.store, name, role, by="", chance=self.server.chance())

    def exchange(self, hub: StandingHub) -> None:
        """Exchange with the hub and publish as a server does."""
        line = exchange_with_hub(
            self.server.store,
            build="test",
            today="2026-09-21",
            draw_chance=self.server.chance,
            open_transport=lambda: Line(hub),
        )
        assert (line.sentence, line.refused, line.unsent) == ("", 0, 0)

    def records(self, lot: str, *how: str) -> set[str]:
        return {record for record, one, its in self.coils if one == lot and its in how}

    def unknown(self) -> set[str]:
        return {record for record, _, how in self.coils if how == "unknown"}


def open_unit(folder, name: str) -> TreatingUnit:
    server = NetworkUnit(folder / name, name)
    return TreatingUnit(server, RegistryUnit(server.store))


def treat_patients(unit: TreatingUnit, chance: random.Random, count: int) -> None:
    """Write so many patients with one case each, and one to three coils."""
    for number in range(count):
        case, patient = f"case/c-{number}", f"patient/p-{number}"
        on = f"2026-0{chance.randint(3, 6)}-{chance.randint(10, 28)}"
        unit.care.write(
            patient,
            family_name=chance.choice(FAMILY),
            given_name="Ada",
            born_on=f"19{chance.randint(40, 79)}-07-14",
            sex="female",
            local_id=f"{unit.server.name}-{number:04}",
        )
        unit.care.write(case, stage="closed", procedure_on=on, patient=patient)
        unit.care.write(f"target/{number}", case=case, label="A", size={"short_axis_um": 14_000})
        unit.care.act(f"puncture/{number}", f"{on}T10:00:00+00:00", case=case)
        for place in range(chance.randint(1, 3)):
            lot = chance.choice(LOTS)
            how = chance.choice(("scanned", "scanned", "typed", "unknown"))
            record = f"coil_placed/{number}-{place}"
            device = {
                "scanned": {"lot": lot, "raw_label": f"1728063010{lot}", "serial": "SN-5511"},
                "typed": {"lot": chance.choice((lot.lower(), f" {lot[:3]} {lot[3:]}"))},
                "unknown": {"lot_unknown": True},
            }[how]
            unit.care.act(record, f"{on}T10:{place + 10}:00+00:00", case, device=device, slot=place)
            unit.coils.append((record, lot, how))
