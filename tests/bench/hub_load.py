"""A hub under load: operations of the registry by the store's bulk path and by pushes of a unit."""

import multiprocessing
import time
from collections.abc import Iterator
from itertools import cycle, islice
from multiprocessing.queues import Queue
from typing import Any

import msgspec

from api.storage.device_store import Device
from api.storage.hub_store import HubStore
from api.storage.link_rows import LinkRow
from api.use_cases.link_patients import name_link
from api.use_cases.receive_push import receive_push
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from sync.operation import Operation
from tests.bench.registry_workload import DAY_MS, START_MS, UnitLog
from tests.bench.rounds import cpu_seconds

UNITS, BATCH = 100, 5_000
PROPOSALS = 100
_MONTHS = 36
_BY = "staff/server"


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
        self._patients = [*self._patients[-2 * PROPOSALS :], *found]

    @property
    def now_ms(self) -> int:
        """The moment at which so much has come: the whole is spread over three years."""
        return START_MS + _MONTHS * 30 * DAY_MS * self.loaded // self._total

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

    def time_load(self, operations: list[Operation]) -> tuple[float, float]:
        """Take in operations by the bulk path; return seconds of processor, and by the clock."""
        start, start_cpu = time.perf_counter(), self.cpu_s()
        self.load(operations)
        return self.cpu_s() - start_cpu, time.perf_counter() - start

    def time_push(self, unit: str, operations: list[Operation]) -> float:
        """Take in a push of a unit: judged, kept, answered for; return seconds of processor."""
        start = self.cpu_s()
        receive_push(self.store, Device(unit, unit, "unit", None), operations, now_ms=self.now_ms)
        return self.cpu_s() - start

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


def make_batches(total: int) -> Iterator[list[Operation]]:
    """Yield the work of all units; it is made on another core meanwhile."""
    queue: Queue[bytes] = multiprocessing.Queue(maxsize=8)
    maker = multiprocessing.Process(target=_write_batches, args=(queue, total), daemon=True)
    maker.start()
    decoder = msgspec.msgpack.Decoder(list[Operation])
    for _ in range(-(-total // BATCH)):
        yield decoder.decode(queue.get())
    maker.join()
