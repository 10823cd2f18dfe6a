"""A recall over 1,000,000 implants: the search as the unit makes it, without writing it down.

The view is filled with rows of its own making, as people type and scan; the log stays empty, since
a search reads views alone. Every search is held against the dice: one implant that it does not
find fails the bench. Processor time.
"""

import gc
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.implant_search import MOST_LOTS, make_search
from api.storage.unit_store import UnitStore, open_unit_store
from api.storage.view_rows import Merged, rows_of
from api.storage.view_rows import Row as ViewRow
from api.use_cases.find_lots import look_for
from sync.merge import FieldState, HeldValue, RecordState
from tests.bench.recalled_implants import (
    DAYS,
    FIRST_ON,
    IN_A_CASE,
    Checked,
    Population,
    case_day,
    draw_implants,
    draw_population,
)
from tests.bench.rounds import Row, Section, Spread

IMPLANTS = 1_000_000
SEED = 46
_TARGET_MS = 100
_SEARCHES = 25
_PERIOD_DAYS, _EXPIRY_DAYS, _SHORT_EXPIRY_DAYS = 90, 365, 7
_ON = "2026-11-26"

Asked = dict[str, Any]


def measure_recall(rounds: int, *, implants: int = IMPLANTS) -> list[Section]:
    """Return the rows of a recall by all that a notice may name, each held against the dice."""
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory(prefix="crura-bench-") as folder:
        store = open_unit_store(Path(folder), new_generation="generation-1")
        try:
            population = fill_with_implants(store, implants, chance)
            # Millions of things of the bench's own: no unit's collector has to look through them.
            gc.collect()
            gc.freeze()
            return [search_all(store, population, rounds, chance)]
        finally:
            gc.unfreeze()
            store.close()


def search_all(
    store: UnitStore, population: Population, rounds: int, chance: random.Random
) -> Section:
    """Return what searches of each sort take, and how many they find of those that they must."""
    implants = len(population.by_record)
    section = Section(
        f"A recall over {implants:,} implants",
        note="Found are those scanned, or typed in the signs of the label, in the group of the "
        "same; those typed in other signs or with a slip, in a group of known ones; and those of "
        "whom nobody knows within 90 days. Each search that misses one fails the bench.",
    )
    for what, make, times in _SORTS:
        took: list[float] = []
        checked: list[Checked] = []
        wanted = [0, 0, 0]
        for _ in range(rounds * times):
            asked = {**make(population, chance), **_draw_period(chance)}
            groups, ms = search_once(store, asked)
            took.append(ms)
            checked.append(population.check(asked, groups))
            for place, records in enumerate(population.wanted_for(asked)):
                wanted[place] += len(records)
        found = [sum(one[place] for one in checked) for place in range(3)]
        words = zip(("same", "typed otherwise", "unknown"), found, wanted, strict=True)
        told = ", ".join(f"{name} {some:,} of {all_:,}" for name, some, all_ in words)
        spread = Spread(tuple(took))
        row = Row(
            what,
            f"p50 {spread.median:,.1f} ms, worst of {len(took)} {max(took):,.1f} ms; {told}",
        )
        if what == _ONE_LOT:
            row = Row(what, row.figure, f"p50 {_TARGET_MS} ms", spread.median <= _TARGET_MS)
        section.rows.append(row)
        section.faults += [f"{what}: {fault}" for one in checked for fault in one.faults]
    return section


def search_once(store: UnitStore, asked: Asked) -> tuple[dict[str, str], float]:
    """Return the group of each record that a search finds, and the milliseconds that it took."""
    begun = time.process_time()
    with store.transaction():
        found = look_for(store, make_search(asked), on=_ON)
    took = (time.process_time() - begun) * 1e3
    return {one.record: one.group for one in found.implants}, took


def fill_with_implants(store: UnitStore, implants: int, chance: random.Random) -> Population:
    """Fill the views that a search reads, and return who has to be found."""
    population = draw_population(implants, chance)
    connection = store._database.connection
    cases = max(1, implants // IN_A_CASE)
    with store.transaction():
        for table, rows in (
            ("patient_list", _patients(cases)),
            ("case_list", _cases(cases)),
            ("implant", _implants(population, implants, chance)),
        ):
            first = next(rows)
            marks = ", ".join("?" for _ in first)
            connection.execute(f"INSERT INTO {table} VALUES ({marks})", first)  # noqa: S608
            connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608
    return population


def _one_lot(population: Population, chance: random.Random) -> Asked:
    return {"lots": [_as_a_notice_has_it(chance.choice(population.lots).name, chance)]}


def _many_lots(population: Population, chance: random.Random) -> Asked:
    some = chance.sample(population.lots, min(MOST_LOTS, len(population.lots)))
    return {"lots": [_as_a_notice_has_it(one.name, chance) for one in some]}


def _one_identifier(population: Population, chance: random.Random) -> Asked:
    return {"identifier": chance.choice(population.lots).identifier}


def _identifier_and_expiry(population: Population, chance: random.Random) -> Asked:
    lot = chance.choice(population.lots)
    first = add_days(lot.expires_on, -chance.randrange(_EXPIRY_DAYS))
    dates = {"expires_from": first, "expires_to": add_days(first, _EXPIRY_DAYS - 1)}
    return {"identifier": lot.identifier, **dates}


def _expiry_alone(population: Population, chance: random.Random) -> Asked:
    first = chance.choice(population.lots).expires_on
    return {"expires_from": first, "expires_to": add_days(first, _SHORT_EXPIRY_DAYS - 1)}


_ONE_LOT = "one lot"
_SORTS: tuple[tuple[str, Callable[[Population, random.Random], Asked], int], ...] = (
    (_ONE_LOT, _one_lot, _SEARCHES),
    ("one identifier", _one_identifier, 5),
    ("one identifier, expiry dates of a year", _identifier_and_expiry, 5),
    ("expiry dates of a week", _expiry_alone, 2),
    (f"{MOST_LOTS} lots at once", _many_lots, 1),
)


def _as_a_notice_has_it(name: str, chance: random.Random) -> str:
    return chance.choice((name, name.lower(), f"{name[:2]} {name[2:]}"))


def _draw_period(chance: random.Random) -> Asked:
    from_on = add_days(FIRST_ON, chance.randrange(DAYS - _PERIOD_DAYS))
    return {"from_on": from_on, "to_on": add_days(from_on, _PERIOD_DAYS)}


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
        day = case_day(number)
        said = {"patient": f"patient/p{number}", **({"procedure_on": day} if day else {})}
        yield from _rows("case", _state(f"case/c{number}", **said))


def _implants(population: Population, count: int, chance: random.Random) -> Iterator[ViewRow]:
    """Yield rows in the order of their key, as a table without row numbers wants them."""
    for implant, said in draw_implants(population, count, chance):
        yield from _rows("coil_placed", _state(implant.record, **said))
