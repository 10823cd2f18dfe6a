"""What a thousand units tell a hub of themselves: `python -m tests.bench.hub_fleet`.

Each unit has a report of the size of a unit of four years and a year of weeks behind it. Measured
is what a report costs, and what the desk of the network asks; by the clock, over PostgreSQL.
"""

import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import msgspec

from api.quality.completeness import EARLIER, CompletenessLine
from api.quality.quality_rules import packaged_quality_rules
from api.storage.hub_store import HubStore, open_hub_store
from api.storage.standing_store import KeptStanding
from api.use_cases.read_fleet import read_fleet
from api.use_cases.read_network_quality import QualityAsk, read_network_quality
from api.use_cases.server_role import settle_role
from api.use_cases.standing_report import PROTOCOL, StandingReport, keep_standing
from tests.bench.rounds import Spread
from tests.hub.postgres_server import running_server

FLEET = 1_000
WEEKS = 52
DAY_MS = 86_400_000
_TODAY, _NOW_MS = date(2026, 9, 21), 1_790_000_000_000
_ROUNDS = 5


class Asked(msgspec.Struct, frozen=True):
    """What one question costs and how large its answer is, before it is squeezed."""

    what: str
    took_ms: Spread
    kilobytes: float


def report_of_a_unit() -> StandingReport:
    """Return a report with every field of every month of four years."""
    rules = packaged_quality_rules()
    months = [f"{year}-{month:02d}" for year in range(2022, 2026) for month in range(1, 13)]
    return StandingReport(
        at_ms=_NOW_MS,
        build="0123456789ab",
        protocol=PROTOCOL,
        catalogue=10,
        cases=1_225,
        quality=dict.fromkeys(rules.rules, 7),
        completeness=tuple(
            CompletenessLine(field=one.field, month=month, filled=20, disagreed=0, of=25)
            for one in rules.fields
            for month in [*months, EARLIER]
        ),
    )


def tell_all(store: HubStore) -> Spread:
    """Let every unit tell its weeks and its report of today; return what the latter costs."""
    report = report_of_a_unit()
    earlier = msgspec.structs.replace(report, completeness=())
    content = msgspec.json.encode(earlier, order="sorted").decode()
    took = []
    for number in range(FLEET):
        unit = f"unit-of-{number:04d}"
        with store.transaction():
            name = f"Ward {number:04d}"
            store.devices.keep(unit, name, "unit", f"token-{number}", joined_ms=_NOW_MS)
            for week in range(WEEKS, 0, -1):
                on = (_TODAY - timedelta(weeks=week)).isoformat()
                noted_ms = _NOW_MS - 7 * week * DAY_MS
                store.standings.keep(KeptStanding(unit, on, noted_ms, content))
        start = time.perf_counter()
        keep_standing(store, unit, report, now_ms=_NOW_MS, today=_TODAY.isoformat())
        took.append((time.perf_counter() - start) * 1e3)
    return Spread(tuple(took))


def ask_all(store: HubStore) -> list[Asked]:
    """Return what the desk of the network asks of the fleet and of its data."""

    def quality(**ask: str) -> object:
        asked = QualityAsk(**ask)
        return read_network_quality(store, asked, now_ms=_NOW_MS, today=_TODAY.isoformat())

    rule = next(iter(packaged_quality_rules().rules))
    asks: list[tuple[str, Callable[[], object]]] = [
        ("fleet", lambda: read_fleet(store, now_ms=_NOW_MS)),
        ("quality of all units, first page", quality),
        ("quality: next page of a rule", lambda: quality(rule=rule, after="unit-of-0499")),
        ("quality of one unit, with its fields", lambda: quality(unit="unit-of-0499")),
    ]
    found = []
    for what, ask in asks:
        took = []
        for _ in range(_ROUNDS):
            start = time.perf_counter()
            answer = ask()
            took.append((time.perf_counter() - start) * 1e3)
        found.append(Asked(what, Spread(tuple(took)), len(msgspec.json.encode(answer)) / 1e3))
    return found


def write_fleet_table(report: Spread, asked: list[Asked]) -> str:
    """Return both as a table in markdown."""
    lines = [
        f"| {FLEET:,} units, {WEEKS} weeks of reports | by the clock | answer |",
        "|---|---|---|",
        f"| report of a unit taken in | {report.say('ms')} | |",
        *(
            f"| {one.what} | {one.took_ms.say('ms', 0)} | {one.kilobytes:,.0f} kB |"
            for one in asked
        ),
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure a hub that holds nothing else and print."""
    with running_server() as server, tempfile.TemporaryDirectory(prefix="crura-hub-") as folder:
        store = open_hub_store(server.make_database(), Path(folder), new_generation="bench-hub")
        settle_role(store, as_hub=True)
        print(write_fleet_table(tell_all(store), ask_all(store)))
        store.close()


if __name__ == "__main__":
    main()
