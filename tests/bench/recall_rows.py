"""A recall over 1,000,000 implants: the search as the unit makes it, without writing it down.

The view is filled with rows of its own making, labels and days drawn; the log stays empty, since a
search reads views alone. Processor time.
"""

import random
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.implant_search import make_search
from api.storage.unit_store import UnitStore, open_unit_store
from api.storage.view_rows import Merged, rows_of
from api.storage.view_rows import Row as ViewRow
from api.use_cases.find_lots import LotSearch, look_for
from sync.merge import FieldState, HeldValue, RecordState
from tests.bench.rounds import Row, Section, Spread

IMPLANTS = 1_000_000
# Ten years, one implant in fifty with an unknown lot, forty of each lot, five in a case.
_DAYS, _UNKNOWN_EACH, _OF_A_LOT, _IN_A_CASE = 3_650, 50, 40, 5
_FIRST_ON = "2016-01-01"
_TARGET_MS = 100
_SEARCHES = 25


def measure_recall(rounds: int, *, implants: int = IMPLANTS) -> list[Section]:
    """Return the rows of a recall: one lot, its look-alikes, near ones, and a quarter's unknown."""
    chance = random.Random(46)
    lots = [f"VK{number:07}" for number in chance.sample(range(10**7), implants // _OF_A_LOT)]
    with tempfile.TemporaryDirectory(prefix="crura-bench-") as folder:
        store = open_unit_store(Path(folder), new_generation="generation-1")
        with store.transaction():
            _fill(store, lots, implants, chance)
        took: dict[str, list[float]] = {"lot": [], "identifier": []}
        listed: list[LotSearch] = []
        for number in range(rounds * _SEARCHES):
            from_on = add_days(_FIRST_ON, chance.randrange(_DAYS - 90))
            period = {"from_on": from_on, "to_on": add_days(from_on, 90)}
            took["lot"].append(_time(store, {"lots": [chance.choice(lots)], **period}, listed))
            if number < rounds:
                named = {"serial": f"S{chance.randrange(implants):07}", "item": "needle", **period}
                took["identifier"].append(_time(store, named, listed))
        store.close()
    lot, other = (Spread(tuple(one)) for one in took.values())
    each = [one for one in listed if one.found]
    mean = sum(len(one.implants) for one in each) / max(1, len(each))
    section = Section(
        f"A recall over {implants:,} implants",
        note=f"A search finds {mean:,.0f} rows on average, those of unknown lots included.",
    )
    section.rows = [
        Row(
            "one lot, with look-alikes, near ones and the unknown of 90 days",
            lot.say("ms", 1),
            f"median {_TARGET_MS} ms",
            lot.median <= _TARGET_MS,
        ),
        Row("one serial number, with every implant of 90 days that bears none", other.say("ms", 1)),
    ]
    return [section]


def _time(store: UnitStore, asked: dict[str, object], listed: list[LotSearch]) -> float:
    begun = time.process_time()
    with store.transaction():
        found = look_for(store, make_search(asked), on="2026-11-26")
    listed.append(found)
    return (time.process_time() - begun) * 1e3


def _fill(store: UnitStore, lots: list[str], implants: int, chance: random.Random) -> None:
    connection = store._database.connection
    cases = implants // _IN_A_CASE
    for table, rows in (
        ("patient_list", _patients(cases)),
        ("case_list", _cases(cases)),
        ("implant", _implants(lots, implants, cases, chance)),
    ):
        first = next(rows)
        marks = ", ".join("?" for _ in first)
        connection.execute(f"INSERT INTO {table} VALUES ({marks})", first)  # noqa: S608
        connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608


def _state(record: str, **said: object) -> RecordState:
    stamp = f"{1_790_000_000_000:015}"
    fields = {
        name: FieldState(
            values=(HeldValue(value=value, references=("r",), by="staff/s-1", stamp=stamp),),
            is_conflict=False,
        )
        for name, value in said.items()
    }
    return RecordState(
        record=record, fields=fields, struck=(), is_entered_in_error=False, heads=("r",)
    )


def _rows(kind: str, state: RecordState) -> list[ViewRow]:
    return [row for _, row in rows_of(Merged(kind, "care", state))]


def _patients(count: int) -> Iterator[ViewRow]:
    for number in range(count):
        said = {"family_name": f"Vareth{number}", "given_name": "Ilo", "born_on": "1961-02-03"}
        state = _state(f"patient/p{number}", **said, local_id=f"TH-{number}")
        yield from _rows("patient", state)


def _cases(count: int) -> Iterator[ViewRow]:
    for number in range(count):
        yield from _rows("case", _state(f"case/c{number}", patient=f"patient/p{number}"))


def _implants(lots: list[str], count: int, cases: int, chance: random.Random) -> Iterator[ViewRow]:
    """Yield rows in the order of their key, as a table without row numbers wants them."""
    days = [add_days(_FIRST_ON, day) for day in range(_DAYS)]
    for number in range(count):
        lot = chance.choice(lots)
        device: dict[str, object] = {"identifier": "09506000134352", "lot": lot}
        if number % _UNKNOWN_EACH == 0:
            device = {"lot_unknown": True}
        elif number % 4 == 0:
            device["serial"] = f"S{number:07}"
        said = {"case": f"case/c{number % cases}", "device": device}
        state = _state(f"coil_placed/k{number:07}", **said, at=f"{chance.choice(days)}T10:00:00Z")
        yield from _rows("coil_placed", state)
