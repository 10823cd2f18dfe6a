"""Row a: a push of 1,000 operations against the raw limit of the same work in the same run.

The raw limit does what nobody can leave out: read all JSON, hash envelope and body, and put the
rows into one plain table with three indexes and full syncing. No check, no merge, no view. Its
table is that of the first schema, every text as it came, so that figures of different releases
stand beside the same limit. Both take the same batches, cut as a device cuts them (EX5), and
commit each.
"""

import hashlib
import sqlite3
import tempfile
import time
from pathlib import Path
from typing import Protocol

import httpx
import msgspec

from api.routes.exchange import Push
from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.use_cases.receive_push import receive_push
from tests.bench.joined_unit import JoinedUnit
from tests.bench.rounds import Row, Section, Spread
from tests.bench.workload import DeviceLog, cut_batches, make_cases, squeeze_push

BATCH = 1_000
_ENVELOPE = msgspec.json.Decoder(dict[str, str])
_BODY = msgspec.json.Decoder()
_PUSH = msgspec.json.Decoder(Push)


class Way(Protocol):
    """One way of taking a push in; what a request holds is written outside the measured time."""

    device: str

    def write(self, batch: list[tuple[str, str]]) -> bytes:
        """Return the request."""

    def take(self, request: bytes) -> None:
        """Take it in."""


def measure_push(rounds: int) -> Section:
    """Return the rows of the push in process and over the loopback."""
    with tempfile.TemporaryDirectory(prefix="crura-bench-") as name:
        folder = Path(name)
        ours = _InProcess(folder / "unit")
        with JoinedUnit(folder / "served") as unit:
            ways: dict[str, Way] = {
                "raw": _Raw(folder / "raw.sqlite3"),
                "in process": ours,
                "over HTTP": _OverHttp(unit.join(_OverHttp.device)),
            }
            taken: dict[str, list[float]] = {key: [] for key in ways}
            logs = {key: DeviceLog(way.device) for key, way in ways.items()}
            for number in range(rounds + 1):
                for key, way in ways.items():
                    operations = make_cases(logs[key], BATCH // 40, first=number * 25)
                    requests = [way.write(batch) for batch in cut_batches(operations)]
                    seconds = sum(_timed(way, request) for request in requests)
                    if number > 0:  # the first round warms up
                        taken[key].append(1e3 * seconds)
        ours.close()
    return _report(taken)


def _timed(way: Way, request: bytes) -> float:
    started = time.perf_counter()
    way.take(request)
    return time.perf_counter() - started


def _report(taken: dict[str, list[float]]) -> Section:
    raw = taken["raw"]
    section = Section("A push of 1,000 operations, verified, on disk, views kept", bar_unit="ms")
    section.rows.append(
        Row("raw limit: decode, hash, insert, full sync", Spread(tuple(raw)).say("ms"))
    )
    for key in ("in process", "over HTTP"):
        # Each beside the raw limit of its own round: what else runs then slows both.
        ratios = Spread(tuple(one / other for one, other in zip(raw, taken[key], strict=True)))
        section.rows.append(
            Row(
                f"push {key}",
                f"{Spread(tuple(taken[key])).say('ms')}, {ratios.say('', 2)} of the raw limit",
                "at least 0.50 of the raw limit",
                ratios.median >= 0.5,
            )
        )
    section.bars = [(key, Spread(tuple(values)).median) for key, values in taken.items()]
    return section


class _Raw:
    """A plain table without the product around it."""

    device = "bench-raw"

    def __init__(self, path: Path) -> None:
        from importlib import import_module

        first = import_module("api.storage.migrations.versions.0001_create_operation_log")
        self._connection = sqlite3.connect(path, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode=wal")
        self._connection.execute("PRAGMA synchronous=full")
        for statement in first.TABLES[:3]:
            self._connection.execute(statement)

    def write(self, batch: list[tuple[str, str]]) -> bytes:
        return msgspec.json.encode({"device": self.device, "operations": batch})

    def take(self, request: bytes) -> None:
        rows = []
        for envelope, body in _PUSH.decode(request).operations:
            parts = _ENVELOPE.decode(envelope)
            _BODY.decode(body)
            if hashlib.sha256(body.encode()).hexdigest() != parts["commitment"]:
                raise ValueError(envelope)
            device, epoch, counter = parts["op_id"].split(".")
            rows.append(
                (
                    device, epoch, int(counter), parts["stream"], parts["record"], parts["stamp"],
                    bytes.fromhex(parts["previous"]), bytes.fromhex(parts["commitment"]),
                    hashlib.sha256(envelope.encode()).digest(), body, 0, 0,
                )
            )  # fmt: skip
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.executemany(
            "INSERT INTO operation (device, epoch, counter, stream, record, stamp, previous,"
            " commitment, hash, body, received_ms, is_quarantined)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            rows,
        )
        self._connection.execute("COMMIT")


class _InProcess:
    """The use case as the route calls it, from the request's bytes on."""

    device = "bench-process"

    def __init__(self, folder: Path) -> None:
        self._store = open_unit_store(folder, new_generation="bench")
        self._asking = Device(self.device, "bench", "bedside", None)

    def write(self, batch: list[tuple[str, str]]) -> bytes:
        return msgspec.json.encode({"device": self.device, "operations": batch})

    def take(self, request: bytes) -> None:
        operations = _PUSH.decode(request).operations
        answer = receive_push(self._store, self._asking, operations, now_ms=1)
        assert answer.quarantined == ()

    def close(self) -> None:
        self._store.close()


class _OverHttp:
    """The served unit, squeezed as the tablet squeezes."""

    device = "bench-http"

    def __init__(self, client: httpx.Client) -> None:
        self._client = client

    def write(self, batch: list[tuple[str, str]]) -> bytes:
        return squeeze_push(self.device, batch)

    def take(self, request: bytes) -> None:
        response = self._client.post(
            "/api/exchange/push",
            content=request,
            headers={"Content-Type": "application/json", "Content-Encoding": "gzip"},
        )
        assert response.status_code == 200, response.text
        assert response.json()["quarantined"] == []
