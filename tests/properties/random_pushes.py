"""Random pushes of units to a hub: own records, another's, forged names, answers to the hub."""

import random

from api.use_cases.name_answers import ABOUT_FIELDS, name_answer
from sync.operation import Operation
from tests.unit.api.standing_unit import Writer

UNITS = ("unit-a", "unit-b", "unit-c")
STREAM = "registry"
# A field that says something, and one that names a record; of a patient his sex does.
_FIELDS = {
    "registry_patient": ("sex", "sex"),
    "registry_case": ("indication", "patient"),
    "registry_implant": ("item", "case"),
    "registry_look": ("flow", "case"),
}
_KINDS = tuple(_FIELDS)
# Few names, so that units meet on them.
_NAMES = 12
_SHARES = {"own": 10, "any": 4, "answer": 3, "foreign": 1, "stream": 1, "newer": 1}


class RandomPushes:
    """Draws pushes of several units, one after the other, from a seed."""

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed)
        self._writers = {unit: Writer(unit) for unit in UNITS}
        self._own: dict[str, list[str]] = {unit: [] for unit in UNITS}

    def next(self) -> tuple[str, list[Operation]]:
        """Return a unit and what it pushes; some of it another unit's by rights."""
        unit = self._draw.choice(UNITS)
        return unit, [self._write(unit) for _ in range(self._draw.randint(1, 12))]

    def _write(self, unit: str) -> Operation:
        draw, writer = self._draw, self._writers[unit]
        what = draw.choices(list(_SHARES), list(_SHARES.values()))[0]
        if what == "answer":
            return self._answer(unit)
        record = self._any_record()
        if what == "own":
            if draw.random() < 0.5 or not self._own[unit]:
                self._own[unit].append(f"{draw.choice(_KINDS)}/{unit}-{len(self._own[unit])}")
            record = draw.choice(self._own[unit])
        says, names = _FIELDS[record.partition("/")[0]]
        said: dict[str, object] = {says: draw.choice(["one", "other"])}
        if draw.random() < 0.3:
            said[names] = draw.choice([self._any_record(), *self._own[unit]])
        match what:
            case "foreign":
                return writer.write(record, STREAM, set={**said, "unit": draw.choice(UNITS)})
            case "stream":
                return writer.write(record, "care", set=said)
            case "newer":
                return writer.write(f"registry_newer/{draw.randrange(4)}", STREAM, set=said)
        return writer.write(record, STREAM, set=said)

    def _answer(self, unit: str) -> Operation:
        draw = self._draw
        kind, field = draw.choice(list(ABOUT_FIELDS.items()))
        about = f"network_recall/{draw.randrange(3)}"
        answering = draw.choice([unit, unit, *UNITS])
        said: dict[str, object] = {"state": "closed"} if field == "notice" else {"answer": "same"}
        if draw.random() < 0.6:
            said[field] = about if draw.random() < 0.9 else None
        return self._writers[unit].write(name_answer(kind, answering, about), STREAM, set=said)

    def _any_record(self) -> str:
        return f"{self._draw.choice(_KINDS)}/{self._draw.randrange(_NAMES)}"
