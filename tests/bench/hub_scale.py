"""A hub of a hundred units as it fills: `python -m tests.bench.hub_scale --millions 1 3 10`.

A PostgreSQL of the bench's own, every commit on disk. Operations of the registry go in by the
store's bulk path (COPY into the log, then the views of their records), spread over three years.
At each size: what an operation costs, by bulk and by real pushes, and what the desk of the network
asks. Costs are processor time of the hub's process and of its database session together, since
other things may run on the machine; what people wait for is time by the clock. A machine may also
be slower by a third from one quarter of an hour to the next: whether an operation costs more in a
fuller hub is held against a small hub on the same server, which takes turns with it. Then the same
hub with a thousand units that tell of themselves, and rounds of a unit.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import msgspec

from api.storage.hub_store import HubStore, open_hub_store
from api.use_cases.count_recalled import count_for
from api.use_cases.list_links import list_links
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from api.use_cases.server_role import settle_role
from tests.bench.hub_fleet import ask_all, tell_all, write_fleet_table
from tests.bench.hub_load import BATCH, PROPOSALS, UNITS, Hub, make_batches
from tests.bench.registry_workload import UnitLog
from tests.bench.rounds import Spread, describe_machine
from tests.bench.unit_rounds import measure_unit_rounds, write_round_table
from tests.hub.postgres_server import PostgresServer, running_server

MILLION = 1_000_000
# Of so many operations at each size the cost by bulk is taken, and of these pushes that by push.
_LAST = 100_000
_PUSHES, _A_PUSH = 40, 100
_GROUPS = range(8, _PUSHES, 8)
_ROUNDS, _OUTCOME_ROUNDS = 7, 3
_MAY_COST = 1.2
# Operations that the small hub holds before its turns are counted.
_FEW = 100_000
# A small hub's: a quarter of four gigabytes of memory for its cache.
_SETTINGS = {"shared_buffers": "1GB", "max_wal_size": "4GB", "maintenance_work_mem": "256MB"}


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """What one size of the hub costs; microseconds an operation, milliseconds a question.

    ``bulk_small_us`` and ``push_small_us`` are of the small hub that took turns with it.
    """

    operations: int
    joined: int
    bulk_us: float
    bulk_small_us: float
    bulk_clock_us: float
    push_us: Spread
    push_small_us: Spread
    worklist_ms: Spread
    recall_ms: Spread
    outcomes_ms: Spread
    outcomes_unit_ms: Spread
    gigabytes: float
    tables: int


def measure(hub: Hub, small: Hub, sizes: list[int]) -> Iterator[Measured]:
    """Yield what each size costs, while the hub fills; the small one takes turns with it."""
    batches = make_batches(sizes[-1])
    own = UnitLog("unit-small").cases(_FEW + 2 * _LAST * len(sizes))
    while small.loaded < _FEW:
        small.load(list(islice(own, BATCH)))
    small.settle()
    for size in sizes:
        while hub.loaded < size - _LAST:
            hub.load(next(batches))
        before = hub.loaded
        cpu_s = clock_s = small_s = 0.0
        while hub.loaded < size:
            took = hub.time_load(next(batches))
            cpu_s, clock_s = cpu_s + took[0], clock_s + took[1]
            small_s += small.time_load(list(islice(own, BATCH)))[0]
        each_us = 1e6 / (hub.loaded - before)
        hub.join()
        hub.propose(PROPOSALS)
        hub.settle()
        small.settle()
        push_us, push_small_us = _push([hub, small], size)
        yield Measured(
            operations=hub.loaded,
            joined=hub.joined,
            bulk_us=cpu_s * each_us,
            bulk_small_us=small_s * each_us,
            bulk_clock_us=clock_s * each_us,
            push_us=push_us,
            push_small_us=push_small_us,
            worklist_ms=_time(lambda: list_links(hub.store, "proposed", by="")),
            recall_ms=_time(
                lambda: count_for(hub.store, {"lots": ["L00017"], "identifier": "04012345678901"})
            ),
            outcomes_ms=_time(lambda: _outcomes(hub), rounds=_OUTCOME_ROUNDS),
            outcomes_unit_ms=_time(lambda: _outcomes(hub, unit="unit-007")),
            gigabytes=hub.gigabytes(),
            tables=hub.tables(),
        )


def _push(hubs: list[Hub], size: int) -> list[Spread]:
    """Return what an operation of a real push costs at each of some hubs, by turns."""
    unit = f"unit-new-{size}"
    logs = [UnitLog(unit).cases(_PUSHES * _A_PUSH) for _ in hubs]
    took: list[list[float]] = [[] for _ in hubs]
    for _ in range(_PUSHES):
        for hub, log, costs in zip(hubs, logs, took, strict=True):
            batch = list(islice(log, _A_PUSH))
            costs.append(hub.time_push(unit, batch) / len(batch) * 1e6)
    # The first ones find nothing prepared.
    return [
        Spread(tuple(sum(some) / len(some) for some in (costs[at : at + 8] for at in _GROUPS)))
        for costs in took
    ]


def _outcomes(hub: Hub, unit: str = "") -> object:
    return read_outcomes(
        hub.store, OutcomeAsk(unit=unit), now_ms=hub.now_ms, on="2027-01-01", time_zone="UTC"
    )


def _time(ask: Callable[[], object], *, rounds: int = _ROUNDS) -> Spread:
    ask()
    took = []
    for _ in range(rounds):
        start = time.perf_counter()
        ask()
        took.append((time.perf_counter() - start) * 1e3)
    return Spread(tuple(took))


def write_table(found: list[Measured]) -> str:
    """Return what was measured as a table in markdown."""
    rows: list[tuple[str, Callable[[Measured], str]]] = [
        ("operation by bulk, processor time", lambda one: f"{one.bulk_us:,.0f} µs"),
        ("the same in a small hub, meanwhile", lambda one: f"{one.bulk_small_us:,.0f} µs"),
        ("operation by bulk, by the clock", lambda one: f"{one.bulk_clock_us:,.0f} µs"),
        ("operation of a push of 100, processor time", lambda one: one.push_us.say("µs", 0)),
        ("the same in a small hub, by turns", lambda one: one.push_small_us.say("µs", 0)),
        ("pairs that are joined", lambda one: f"{one.joined:,}"),
        ("links to decide, first 100", lambda one: one.worklist_ms.say("ms")),
        ("recall of a lot, counted by unit", lambda one: one.recall_ms.say("ms")),
        ("outcomes of all units", lambda one: one.outcomes_ms.say("ms", 0)),
        ("outcomes of one unit", lambda one: one.outcomes_unit_ms.say("ms", 0)),
        ("database on disk", lambda one: f"{one.gigabytes:,.2f} GB"),
        ("tables of the log", lambda one: f"{one.tables}"),
    ]
    head = "| operations |" + "".join(f" {one.operations / MILLION:g} M |" for one in found)
    lines = [head, "|---|" + "---|" * len(found)]
    lines += [f"| {what} | " + " | ".join(say(one) for one in found) + " |" for what, say in rows]
    return "\n".join(lines)


def judge(found: list[Measured]) -> str:
    """Return in a sentence how the cost of an operation grew from the first size to the last.

    Each is taken as a multiple of what the small hub took meanwhile.
    """
    first, last = found[0], found[-1]
    bulk = (last.bulk_us / last.bulk_small_us) / (first.bulk_us / first.bulk_small_us)
    push = _against_small(last) / _against_small(first)
    met = "no more" if max(bulk, push) <= _MAY_COST else "MORE"
    return (
        f"An operation at {last.operations / MILLION:g} M costs {bulk:.2f} times (bulk) and "
        f"{push:.2f} times (push) what it does at {first.operations / MILLION:g} M, each against "
        f"a small hub at the same time; {met} than {_MAY_COST:g}."
    )


def _against_small(one: Measured) -> float:
    return one.push_us.median / one.push_small_us.median


def _configure(server: PostgresServer) -> None:
    server.stop()
    lines = "".join(f"{name} = {value}\n" for name, value in _SETTINGS.items())
    with (server.folder / "data/postgresql.conf").open("a") as file:
        file.write(lines)
    server.start()


def _open(server: PostgresServer, folder: Path) -> HubStore:
    folder.mkdir()
    store = open_hub_store(server.make_database(), folder, new_generation="bench-hub")
    settle_role(store, as_hub=True)
    return store


def main(millions: list[float]) -> int:
    """Measure and print; 1 where the cost of an operation grows too far."""
    sizes = sorted(round(one * MILLION) for one in millions)
    found = []
    with running_server() as server, tempfile.TemporaryDirectory(prefix="crura-hub-") as folder:
        _configure(server)
        store, few = (_open(server, Path(folder) / name) for name in ("hub", "small"))
        small = Hub(few, _FEW + 2 * _LAST * len(sizes))
        for measured in measure(Hub(store, sizes[-1]), small, sizes):
            found.append(measured)
            print(f"{write_table(found)}\n", file=sys.stderr, flush=True)
        few.close()
        fleet = write_fleet_table(tell_all(store), ask_all(store))
        store.close()
    print(f"{UNITS} units, {describe_machine()}\n\n{write_table(found)}\n\n{judge(found)}")
    print(f"\n{fleet}\n\n{write_round_table(measure_unit_rounds())}")
    return int(judge(found).find("MORE") >= 0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--millions", nargs="+", type=float, default=[1, 3, 10])
    sys.exit(main(parser.parse_args().millions))
