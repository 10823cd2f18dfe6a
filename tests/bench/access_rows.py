"""The trail of access searched, 1,000,000 lines held: who had whose record, by whom, where, when.

The lines are chained as the unit chains them; what is found is held against the dice, and one line
that is missing or too many fails the bench. Processor time.
"""

import random
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from api.storage.access_log import DAY_MS, AccessLine, hash_line, write_line
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.search_access import AccessSearch, FoundAccess, search_access
from tests.bench.rounds import Row, Section, Spread
from tests.unit.api.clinic_story import Story

LINES = 1_000_000
SEED = 17
# Three years; so many people, devices and patients a unit has.
_DAYS, _STAFF, _DEVICES, _PATIENTS = 1_095, 200, 60, 20_000
_START_MS = 1_767_225_600_000  # 2026-01-01
_MOST = 1_000
# A patient of whom is asked has a case with so many coils; the others are names in lines.
_COILS = 10
# Which sort of line, of a hundred.
_SHARES = {"read": 60, "document": 12, "list": 5, "implants": 3, "log-in": 10, "stream": 10}
_LATE_EACH = 50


@dataclass
class Trail:
    """Which lines belong to whom, by their numbers, and who may be asked for."""

    asked: list[str]
    by: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    lines: int = 0

    def keep(self, line: AccessLine) -> None:
        """Keep a line under all that it is asked for by."""
        self.lines = line.seq
        days = {line.at_ms // DAY_MS, line.noted_ms // DAY_MS}
        keys = {("person", line.who), ("device", line.device), ("device", line.who)}
        keys |= {("day", str(day)) for day in days}
        keys |= {("patient", f"patient/{_patient_of(one)}") for one in line.records}
        for key in keys:
            self.by.setdefault(key, []).append(line.seq)

    def newest(self, sort: str, what: str) -> list[int]:
        """Return the numbers of the newest lines that a search has to show."""
        if sort == "all":
            return list(range(self.lines, max(0, self.lines - _MOST), -1))
        return self.by.get((sort, what), [])[: -_MOST - 1 : -1]


def measure_access(rounds: int, *, lines: int = LINES) -> list[Section]:
    """Return what searches of the trail take, each held against the dice."""
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory(prefix="crura-bench-") as folder:
        store = open_unit_store(Path(folder), new_generation="generation-1")
        try:
            return [search_trail(store, fill_trail(store, lines, chance), rounds, chance)]
        finally:
            store.close()


def search_trail(store: UnitStore, trail: Trail, rounds: int, chance: random.Random) -> Section:
    """Return what each sort of search takes, the first 1,000 lines asked for."""
    section = Section(f"The trail of access searched, {trail.lines:,} lines held")
    for what, sort in _SORTS.items():
        took: list[float] = []
        shown = 0
        for _ in range(rounds):
            asked, key = _draw_search(sort, trail, chance)
            found, ms = _time(store, asked)
            took.append(ms)
            shown += len(found.events)
            section.faults += [f"{what}: {fault}" for fault in check_found(trail, sort, key, found)]
        spread = Spread(tuple(took))
        told = f"p50 {spread.median:,.0f} ms, worst of {rounds} {max(took):,.0f} ms"
        section.rows.append(Row(what, f"{told}; {shown // rounds:,} lines shown"))
    return section


def check_found(trail: Trail, sort: str, key: str, found: FoundAccess) -> list[str]:
    """Return what is wrong with an answer, in words."""
    wanted = trail.newest(sort, key)
    shown = [line.seq for line in found.events]
    if shown == wanted:
        return []
    missing, others = set(wanted) - set(shown), set(shown) - set(wanted)
    return [f"{len(missing)} lines of {len(wanted)} missing, {len(others)} too many, or disordered"]


def fill_trail(store: UnitStore, lines: int, chance: random.Random) -> Trail:
    """Write records of patients who are asked for, and the whole trail."""
    trail = Trail(asked=[f"patient/p{number}" for number in range(min(20, _PATIENTS))])
    with store.transaction():
        _write_records(store, trail.asked)
        store.access.connection.executemany(
            "INSERT INTO access_event VALUES (?, ?, ?)", _chain(trail, lines, chance)
        )
    return trail


_SORTS = {
    "the newest, the first page": "all",
    "by patient": "patient",
    "by person": "person",
    "by device": "device",
    "by day": "day",
}


def _draw_search(sort: str, trail: Trail, chance: random.Random) -> tuple[AccessSearch, str]:
    if sort == "all":
        return AccessSearch(), ""
    if sort == "patient":
        key = chance.choice(trail.asked)
        return AccessSearch(patient=key), key
    if sort == "day":
        day = _START_MS // DAY_MS + chance.randrange(_DAYS)
        on = time.strftime("%Y-%m-%d", time.gmtime(day * DAY_MS // 1_000))
        return AccessSearch(from_on=on, to_on=on), str(day)
    key = f"staff/s-{chance.randrange(_STAFF)}" if sort == "person" else _device(chance)
    return AccessSearch(**{sort: key}), key


def _time(store: UnitStore, asked: AccessSearch) -> tuple[FoundAccess, float]:
    begun = time.process_time()
    found = search_access(store, asked, zone="UTC", most=_MOST)
    return found, (time.process_time() - begun) * 1e3


def _chain(trail: Trail, lines: int, chance: random.Random) -> Iterator[tuple[int, str, bytes]]:
    previous = ""
    sorts = [sort for sort, share in _SHARES.items() for _ in range(share)]
    for seq in range(1, lines + 1):
        noted_ms = _START_MS + (seq - 1) * _DAYS * DAY_MS // lines
        # Told by a device that was away for up to three days.
        late_ms = chance.randrange(3 * DAY_MS) if chance.randrange(_LATE_EACH) == 0 else 0
        line = AccessLine(
            seq=seq,
            previous=previous,
            noted_ms=noted_ms,
            at_ms=noted_ms - late_ms,
            told=f"chain-1.{seq}.{'0' * 16}" if late_ms else "",
            outcome="done",
            **_draw_event(chance.choice(sorts), chance),
        )
        text = write_line(line)
        previous = hash_line(text)
        trail.keep(line)
        yield seq, text, bytes.fromhex(previous)


def _draw_event(sort: str, chance: random.Random) -> dict[str, Any]:
    device, number = _device(chance), chance.randrange(_PATIENTS)
    event = {
        "asker": "person",
        "who": f"staff/s-{chance.randrange(_STAFF)}",
        "role": "endoscopist",
        "device": device,
        "verb": "read",
        "object": "case",
        "records": (f"patient/p{number}", f"case/c{number}"),
        "why": "",
    }
    if sort == "document":
        return {**event, "verb": "export", "object": "document", "why": "procedure report"}
    if sort == "log-in":
        return {**event, "verb": "log-in", "object": "session", "records": ()}
    if sort == "stream":
        alone = {"asker": "device", "who": device, "role": "", "device": "", "records": ()}
        return {**event, **alone, "object": "stream", "why": chance.choice(("care", "booking"))}
    if sort in ("list", "implants"):
        numbers = chance.sample(range(_PATIENTS), chance.randint(2, 30))
        listed = tuple(f"patient/p{one}" for one in numbers)
        thing = "implants" if sort == "implants" else "visits"
        return {**event, "verb": "search", "object": thing, "records": listed}
    return event


def _device(chance: random.Random) -> str:
    return f"tablet-{chance.randrange(_DEVICES):03}"


def _patient_of(record: str) -> str:
    return f"p{record.rsplit('/', 1)[1][1:]}"


def _write_records(store: UnitStore, patients: list[str]) -> None:
    """Write patients with a case and coils each, as one tablet would."""
    story = Story(store, device="tablet-000", now_ms=_START_MS)
    for patient in patients:
        number = patient.rsplit("/p", 1)[1]
        story.write(patient, family_name=f"Vareth{number}")
        story.write(f"case/c{number}", patient=patient)
        for place in range(_COILS):
            story.write(f"coil_placed/k{number}-{place}", case=f"case/c{number}")
