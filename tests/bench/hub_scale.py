"""A hub of a hundred units as it fills: `python -m tests.bench.hub_scale --millions 1 3 10`.

A PostgreSQL of the bench's own, every commit on disk. Operations of the registry go in by the
store's bulk path (COPY into the log, then the views of their records), spread over three years.
At each size: what an operation costs, by bulk and by real pushes, and what the desk of the network
asks. Costs are processor time of the hub's process and of its database session together, since
other things may run on the machine; what people wait for is time by the clock. Then the same hub
with a thousand units that tell of themselves, and rounds of a unit.
"""

import argparse
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import cycle, islice
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

import msgspec

from api.storage.device_store import Device
from api.storage.hub_store import HubStore, open_hub_store
from api.storage.link_rows import LinkRow
from api.use_cases.count_recalled import count_for
from api.use_cases.link_patients import name_link
from api.use_cases.list_links import list_links
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from api.use_cases.receive_push import receive_push
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from api.use_cases.server_role import settle_role
from sync.operation import Operation
from tests.bench.hub_fleet import ask_all, tell_all, write_fleet_table
from tests.bench.registry_workload import DAY_MS, START_MS, UnitLog
from tests.bench.rounds import Spread, cpu_seconds, describe_machine
from tests.bench.unit_rounds import measure_unit_rounds, write_round_table
from tests.hub.postgres_server import PostgresServer, running_server

UNITS, BATCH = 100, 5_000
MILLION = 1_000_000
MONTHS = 36
# Of so many operations at each size the cost by bulk is taken, and of these pushes that by push.
_LAST = 100_000
_PUSHES, _A_PUSH = 40, 100
_ROUNDS, _OUTCOME_ROUNDS, _PROPOSALS = 7, 3, 100
_MAY_COST = 1.2
_BY = "staff/server"
# A small hub's: a quarter of four gigabytes of memory for its cache.
_SETTINGS = {"shared_buffers": "1GB", "max_wal_size": "4GB", "maintenance_work_mem": "256MB"}


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """What one size of the hub costs; microseconds an operation, milliseconds a question."""

    operations: int
    joined: int
    bulk_us: float
    bulk_clock_us: float
    push_us: Spread
    worklist_ms: Spread
    recall_ms: Spread
    outcomes_ms: Spread
    outcomes_unit_ms: Spread
    gigabytes: float
    tables: int


class Hub:
    """A hub's store under load, and its session's process."""

    def __init__(self, store: HubStore, total: int) -> None:
        self.store, self._total = store, total
        self.loaded, self.joined = 0, 0
        self._patients: list[str] = []
        self._drawn = 0

    def load(self, operations: list[Operation]) -> None:
        """Take in operations by the bulk path."""
        with self.store.transaction():
            records = self.store.operations.append(operations, received_ms=self.now_ms)
            self.store.views.refresh_after(operations, records)
        self.loaded += len(operations)
        found = (one.record for one in operations if one.kind == "registry_patient")
        self._patients = [*self._patients[-2 * _PROPOSALS :], *found]

    @property
    def now_ms(self) -> int:
        """The moment at which so much has come: the whole is spread over three years."""
        return START_MS + MONTHS * 30 * DAY_MS * self.loaded // self._total

    def cpu_s(self) -> float:
        """Return the processor time of this process and of its sessions so far."""
        row = self._row("SELECT pid FROM pg_stat_activity WHERE pid = pg_backend_pid()")
        return time.process_time() + cpu_seconds(row[0])

    def gigabytes(self) -> float:
        """Return what the database takes on disk, in 10^9 bytes."""
        return float(self._row("SELECT pg_database_size(current_database())")[0]) / 1e9

    def tables(self) -> int:
        """Return in how many tables the log lies."""
        return int(self._row("SELECT count(*) FROM pg_partition_tree('log_entry') WHERE isleaf")[0])

    def settle(self) -> None:
        """Let the planner know what is there, as the database's own housekeeping would."""
        self._connection.execute("VACUUM ANALYZE")

    def propose(self, count: int) -> None:
        """Write proposals of links between patients that were loaded, to be looked at."""
        drafts, rows = [], []
        for one, other in zip(self._patients[:count], self._patients[-count:], strict=True):
            link = name_link(one, other)
            fields: dict[str, Any] = {
                "a": one,
                "b": other,
                "units": ["unit-001", "unit-002"],
                "score": {"probability_per_mille": 990, "traits": [["sex", "the same"]]},
                "state": "proposed",
                "joined_by": [],
            }
            drafts.append(ServerDraft(record=link, fields=fields))
            rows.append(LinkRow(link, one, other, "proposed", 990))
        with self.store.transaction():
            write_all_as_server(
                self.store, drafts, by=_BY, because="", draw_chance=self._draw_chance
            )
            for row in rows:
                self.store.links.keep_link(row)

    def join(self) -> None:
        """Let a pair for each hundred operations stand as joined, both of one year of birth.

        Each patient is in one pair: of a chain of joins hardly any is right.
        """
        asked = (
            "SELECT record FROM registry_patient_row"
            " WHERE NOT EXISTS (SELECT 1 FROM patient_link WHERE patient_link.one = record)"
            " AND NOT EXISTS (SELECT 1 FROM patient_link WHERE patient_link.other = record)"
            " ORDER BY born, record LIMIT ?"
        )
        rows = self._connection.execute(asked, (self.loaded // 50 - 2 * self.joined,))
        some = [row[0] for row in rows.fetchall()]
        with self.store.transaction():
            for pair in zip(some[::2], some[1::2], strict=False):
                self.store.links.keep_link(LinkRow(name_link(*pair), *pair, "joined", 990))
            self.joined = self.store.links.count_standing(["joined"])

    def _draw_chance(self) -> Chance:
        self._drawn += 1
        drawn = f"{self._drawn:032x}"
        return Chance(new_id=drawn, new_epoch=drawn[-8:], salt=drawn, now_ms=self.now_ms)

    @property
    def _connection(self) -> Any:
        return self.store._database.connection

    def _row(self, sql: str) -> Any:
        return self._connection.execute(sql).fetchone()


def _write_batches(queue: "Queue[bytes]", total: int) -> None:
    """Put the work of all units on a queue, batch by batch by turns."""
    logs = [UnitLog(f"unit-{number:03d}").cases(2 * total) for number in range(UNITS)]
    for log in islice(cycle(logs), -(-total // BATCH)):
        queue.put(msgspec.msgpack.encode(list(islice(log, BATCH))))


def _batches(total: int) -> Iterator[list[Operation]]:
    """Yield the work of all units; it is made on another core meanwhile."""
    queue: Queue[bytes] = multiprocessing.Queue(maxsize=8)
    maker = multiprocessing.Process(target=_write_batches, args=(queue, total), daemon=True)
    maker.start()
    decoder = msgspec.msgpack.Decoder(list[Operation])
    for _ in range(-(-total // BATCH)):
        yield decoder.decode(queue.get())
    maker.join()


def measure(hub: Hub, sizes: list[int]) -> Iterator[Measured]:
    """Yield what each size costs, while the hub fills."""
    batches = _batches(sizes[-1])
    for size in sizes:
        while hub.loaded < size - _LAST:
            hub.load(next(batches))
        start_cpu, start, before = hub.cpu_s(), time.perf_counter(), hub.loaded
        clock_s = 0.0
        while hub.loaded < size:
            batch = next(batches)
            start = time.perf_counter()
            hub.load(batch)
            clock_s += time.perf_counter() - start
        count = hub.loaded - before
        bulk_us = (hub.cpu_s() - start_cpu) / count * 1e6
        hub.join()
        hub.propose(_PROPOSALS)
        hub.settle()
        yield Measured(
            operations=hub.loaded,
            joined=hub.joined,
            bulk_us=bulk_us,
            bulk_clock_us=clock_s / count * 1e6,
            push_us=_push(hub, size),
            worklist_ms=_time(lambda: list_links(hub.store, "proposed", by="")),
            recall_ms=_time(
                lambda: count_for(hub.store, {"lots": ["L00017"], "identifier": "04012345678901"})
            ),
            outcomes_ms=_time(lambda: _outcomes(hub), rounds=_OUTCOME_ROUNDS),
            outcomes_unit_ms=_time(lambda: _outcomes(hub, unit="unit-007")),
            gigabytes=hub.gigabytes(),
            tables=hub.tables(),
        )


def _push(hub: Hub, size: int) -> Spread:
    """Return what an operation of a real push costs: judged, kept and answered for."""
    unit = f"unit-new-{size}"
    log = UnitLog(unit).cases(_PUSHES * _A_PUSH)
    device = Device(unit, unit, "unit", None)
    took = []
    for _ in range(_PUSHES):
        batch = list(islice(log, _A_PUSH))
        start = hub.cpu_s()
        receive_push(hub.store, device, batch, now_ms=hub.now_ms)
        took.append((hub.cpu_s() - start) / len(batch) * 1e6)
    # The first ones find nothing prepared.
    groups = [took[start : start + 8] for start in range(8, len(took), 8)]
    return Spread(tuple(sum(some) / len(some) for some in groups))


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
        ("operation by bulk, by the clock", lambda one: f"{one.bulk_clock_us:,.0f} µs"),
        ("operation of a push of 100, processor time", lambda one: one.push_us.say("µs", 0)),
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
    """Return in a sentence how the cost of an operation grew from the first size to the last."""
    first, last = found[0], found[-1]
    grown = max(last.bulk_us / first.bulk_us, last.push_us.median / first.push_us.median)
    met = "no more" if grown <= _MAY_COST else "MORE"
    return (
        f"An operation at {last.operations / MILLION:g} M costs {grown:.2f} times what it does at "
        f"{first.operations / MILLION:g} M, {met} than {_MAY_COST:g}."
    )


def _configure(server: PostgresServer) -> None:
    server.stop()
    lines = "".join(f"{name} = {value}\n" for name, value in _SETTINGS.items())
    with (server.folder / "data/postgresql.conf").open("a") as file:
        file.write(lines)
    server.start()


def main(millions: list[float]) -> int:
    """Measure and print; 1 where the cost of an operation grows too far."""
    sizes = sorted(round(one * MILLION) for one in millions)
    found = []
    with running_server() as server, tempfile.TemporaryDirectory(prefix="crura-hub-") as folder:
        _configure(server)
        store = open_hub_store(server.make_database(), Path(folder), new_generation="bench-hub")
        settle_role(store, as_hub=True)
        for measured in measure(Hub(store, sizes[-1]), sizes):
            found.append(measured)
            print(f"{write_table(found)}\n", file=sys.stderr, flush=True)
        fleet = write_fleet_table(tell_all(store), ask_all(store))
        store.close()
    print(f"{UNITS} units, {describe_machine()}\n\n{write_table(found)}\n\n{judge(found)}")
    print(f"\n{fleet}\n\n{write_round_table(measure_unit_rounds())}")
    return int(judge(found).find("MORE") >= 0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--millions", nargs="+", type=float, default=[1, 3, 10])
    sys.exit(main(parser.parse_args().millions))
