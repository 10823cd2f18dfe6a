"""Row f: memory of the server with much held, and many tablets arriving at once."""

import http.client
import json
import tempfile
import threading
import time
from pathlib import Path

from api.storage.unit_store import open_unit_store
from tests.bench.joined_unit import JoinedUnit
from tests.bench.rounds import Row, Section, Spread, percentile, resident_mb
from tests.bench.workload import OPERATIONS_A_CASE, DeviceLog, cut_batches, make_cases, squeeze_push
from tests.unit.api.signing_client import sign_request
from tests.unit.api.signing_device import SigningDevice

TABLETS, EACH = 50, 1_000
HEAVY = "bench-heavy"
BYSTANDER = "bench-bystander"
_PUSH = "/api/exchange/push"
_HEADERS = {"Content-Type": "application/json", "Content-Encoding": "gzip"}


def measure_crowd(*, held: int) -> Section:
    """Return the rows of a server that holds ``held`` operations and is asked by fifty tablets."""
    with tempfile.TemporaryDirectory(prefix="crura-bench-") as name:
        folder = Path(name) / "unit"
        tablets = [f"bench-{number:02d}" for number in range(TABLETS)]
        let_join(folder, [HEAVY, BYSTANDER, *tablets])
        pushes = {tablet: _pushes_of(tablet) for tablet in tablets}
        with JoinedUnit(folder) as unit:
            filled_s = fill_unit(unit, held)
            held_mb = resident_mb(unit.pid)
            outcome = _arrive(unit, pushes)
            after_mb, most_mb = resident_mb(unit.pid), _most_mb(unit.pid)
    crowd = TABLETS * EACH
    section = Section(
        f"{TABLETS} tablets with {EACH:,} operations each arrive at once, {held:,} already held",
        bar_unit="MB",
        note=(
            "All batches are sent at once, so an acknowledgement waits for the batches before it; "
            "the bystander is one more tablet that pushes single operations meanwhile."
        ),
    )
    acknowledged, watched = outcome.acknowledged_ms, outcome.bystander_ms
    section.rows = [
        Row(f"filled with {held:,} operations over HTTP", f"{held / filled_s:,.0f} a second"),
        Row(f"memory with {held:,} held", f"{held_mb:,.0f} MB", "200 MB", held_mb <= 200),
        Row("memory after the crowd", f"{after_mb:,.0f} MB (most: {most_mb:,.0f} MB)", "200 MB",
            most_mb <= 200),
        Row(f"{crowd:,} operations drained", f"{outcome.drained_s:.1f} s", "60 s",
            outcome.drained_s <= 60),
        Row("acknowledgement of a batch, p50 / p95", _two(acknowledged), "p95 200 ms",
            percentile(acknowledged, 0.95) <= 200),
        Row("acknowledgement to the bystander, p50 / p95", _two(watched), "p95 200 ms",
            percentile(watched, 0.95) <= 200),
    ]  # fmt: skip
    section.bars = [("held", held_mb), ("after", after_mb), ("most", most_mb)]
    return section


def _two(values: list[float]) -> str:
    return (
        f"{Spread(tuple(values)).median:,.0f} / {percentile(values, 0.95):,.0f} ms of {len(values)}"
    )


def let_join(folder: Path, devices: list[str]) -> None:
    """Let devices join a unit that is not served yet; each token follows from the name."""
    store = open_unit_store(folder, new_generation="bench")
    with store.transaction():
        for device in devices:
            store.devices.keep(device, device, "bedside", f"token of {device}", joined_ms=1)
            store.signatures.enrol(device, SigningDevice(device).public_key, "bench1")
    store.close()


def _pushes_of(device: str) -> list[bytes]:
    operations = make_cases(DeviceLog(device), EACH // OPERATIONS_A_CASE)
    return [squeeze_push(device, batch) for batch in cut_batches(operations)]


class _Connection:
    """One device's connection, kept open."""

    def __init__(self, unit: JoinedUnit, device: str) -> None:
        self._http = http.client.HTTPConnection("127.0.0.1", int(unit.address.rsplit(":", 1)[1]))
        self._headers = _HEADERS | {"Authorization": f"Bearer token of {device}"}
        self._signer = SigningDevice(device)
        self._nonce = self._draw_nonce()

    def push(self, content: bytes) -> float:
        """Send one push; return the time until its acknowledgement, in ms."""
        signed = sign_request(self._signer, "POST", _PUSH, content, self._nonce)
        started = time.perf_counter()
        self._http.request("POST", _PUSH, content, self._headers | signed)
        response = self._http.getresponse()
        text = response.read()
        self._nonce = response.headers["crura-nonce"]
        taken = 1e3 * (time.perf_counter() - started)
        assert response.status == 200, text
        assert b'"quarantined":[]' in text, text
        return taken

    def _draw_nonce(self) -> str:
        kind = {"Content-Type": "application/json"}
        self._http.request("POST", "/api/nonces", b'{"count": 1}', kind)
        return str(json.loads(self._http.getresponse().read())["nonces"][0])

    def close(self) -> None:
        """Close it."""
        self._http.close()


def fill_unit(unit: JoinedUnit, held: int) -> float:
    """Push until so many operations are held; return the seconds that the pushes took."""
    connection, log, taken_ms = _Connection(unit, HEAVY), DeviceLog(HEAVY), 0.0
    for first in range(0, held // OPERATIONS_A_CASE, 250):
        count = min(250, held // OPERATIONS_A_CASE - first)
        for batch in cut_batches(make_cases(log, count, first=first)):
            taken_ms += connection.push(squeeze_push(HEAVY, batch))
    connection.close()
    return taken_ms / 1e3


class _Outcome:
    def __init__(self) -> None:
        self.acknowledged_ms: list[float] = []
        self.bystander_ms: list[float] = []
        self.failures: list[BaseException] = []
        self.drained_s = 0.0


def _arrive(unit: JoinedUnit, pushes: dict[str, list[bytes]]) -> _Outcome:
    outcome, gate, is_over = _Outcome(), threading.Barrier(len(pushes) + 1), threading.Event()

    def send_all(device: str) -> None:
        connection = _Connection(unit, device)
        gate.wait()
        try:
            for content in pushes[device]:
                outcome.acknowledged_ms.append(connection.push(content))
        except BaseException as error:  # noqa: BLE001  told after the threads have ended
            outcome.failures.append(error)
        connection.close()

    def watch() -> None:
        connection, log = _Connection(unit, BYSTANDER), DeviceLog(BYSTANDER)
        singles = [
            squeeze_push(BYSTANDER, [(one.envelope_text, one.body_text or "")])
            for one in make_cases(log, 50)
        ]
        for content in singles:
            if is_over.wait(0.02):
                break
            outcome.bystander_ms.append(connection.push(content))
        connection.close()

    threads = [threading.Thread(target=send_all, args=(device,)) for device in pushes]
    watcher = threading.Thread(target=watch)
    for thread in threads:
        thread.start()
    gate.wait()
    started = time.perf_counter()
    watcher.start()
    for thread in threads:
        thread.join()
    outcome.drained_s = time.perf_counter() - started
    is_over.set()
    watcher.join()
    if outcome.failures:
        raise outcome.failures[0]
    return outcome


def _most_mb(pid: int) -> float:
    """Return the most memory that a process has had in RAM, in MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) * 1024 / 1e6
    raise AssertionError(pid)
