"""Invented work for a hub: what units publish of their treated cases, as their logs would hold it.

Ten operations a case on average: patient, case, implants by lot, looks, now and then an event, and
the case written again when a later look moves its last day. Everything follows from a seed.
"""

import random
from collections.abc import Iterator
from datetime import date, timedelta

from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation

START_MS = 1_764_000_000_000
DAY_MS = 86_400_000
_FIRST_DAY = date(2023, 11, 1)
_CATALOGUE = 8
# Forty pieces of each at ten million operations.
_LOTS = 75_000


class UnitLog:
    """The log of one unit for its network, as it grows; chain and stamps are real."""

    def __init__(self, unit: str, *, seed: int = 1, epoch: str = "bench1") -> None:
        self.unit = unit
        self.epoch = epoch
        self._chance = random.Random(f"{unit} {seed}")
        self._counter = 0
        self._previous = ""
        self._wall_ms = START_MS

    def write(
        self, record: str, fields: dict[str, object], over: dict[str, tuple[str, ...]] | None = None
    ) -> Operation:
        """Write the next operation of the log."""
        self._counter += 1
        self._wall_ms += self._chance.randint(1, 60_000)
        operation = make_operation(
            device=self.unit,
            epoch=self.epoch,
            counter=self._counter,
            previous=self._previous,
            stream="registry",
            record=record,
            stamp=str(Stamp(self._wall_ms, 0, self.unit)),
            body=Body(
                salt=f"{self._chance.getrandbits(128):032x}",
                by=f"staff/{self.unit}",
                tapped_by=f"staff/{self.unit}",
                catalogue=_CATALOGUE,
                set=fields,
                over=over or {},
            ),
        )
        self._previous = operation.hash
        return operation

    def cases(self, until: int) -> Iterator[Operation]:
        """Yield whole cases, at least so many operations of them."""
        while self._counter < until:
            yield from self._case()

    def _case(self) -> Iterator[Operation]:
        draw = self._chance
        patient, case = f"registry_patient/{self._name()}", f"registry_case/{self._name()}"
        treated = _FIRST_DAY + timedelta(days=draw.randint(0, 1_000))
        seen = treated + timedelta(days=draw.randint(0, 400))
        sex = draw.choice(["female", "male"])
        yield self.write(
            patient, {"unit": self.unit, "birth_year": draw.randint(1935, 2004), "sex": sex}
        )
        coils = draw.randint(1, 4)
        written = self.write(
            case,
            {
                "unit": self.unit,
                "patient": patient,
                "treated_on": str(treated),
                "seen_on": str(treated),
                "indication": draw.choice(["primary-prophylaxis", "secondary-prophylaxis"]),
                "varix_class": draw.choice(["GOV1", "GOV2", "IGV1"]),
                "child_pugh_points": draw.randint(5, 13),
                "meld": draw.randint(6, 30),
                "short_axis_um": draw.randint(8, 35) * 1_000,
                "technique": "coils-and-adhesive",
                "coils_planned": coils,
                "coils_placed": coils,
                "adhesive_kind": "2-octyl-cyanoacrylate",
                "adhesive_pure_ul": draw.randint(1, 8) * 500,
                "delivered": True,
                "flow_at_end": draw.choice(["none", "none", "reduced"]),
            },
        )
        yield written
        for item, number in (("coil", coils), ("adhesive", 1)):
            for _ in range(1 if item == "adhesive" else min(coils, 2)):
                yield self.write(
                    f"registry_implant/{self._name()}",
                    {
                        "case": case,
                        "item": item,
                        "identifier": "04012345678901" if item == "coil" else "04098765432109",
                        "lot": f"L{draw.randrange(_LOTS):05d}",
                        "lot_unknown": False,
                        "expires_on": "2028-01-31",
                        "count": number,
                    },
                )
        for _ in range(draw.randint(2, 4)):
            flow = draw.choice(["no", "no", "yes", "not-seen"])
            yield self.write(
                f"registry_look/{self._name()}",
                {"case": case, "looked_on": str(seen), "flow": flow},
            )
        if draw.random() < 0.2:
            event = draw.choice(["rebleed", "death"])
            fields = {"case": case, "event": event, "happened_on": str(seen)}
            yield self.write(f"registry_event/{self._name()}", fields)
        yield self.write(case, {"seen_on": str(seen)}, {"seen_on": (written.reference,)})

    def _name(self) -> str:
        return f"{self._chance.getrandbits(128):032x}"
