"""Several processes of one hub: what units push to them is kept once, and none of it is lost."""

import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import psycopg
import pytest

from api.storage.device_store import Device
from api.storage.errors import StorageError
from api.storage.hub_store import open_hub_store
from api.use_cases.receive_push import receive_push
from api.use_cases.verify_log import verify_log
from tests.bench.registry_workload import UnitLog
from tests.hub.pushing_process import BATCH, NOW_MS, OPERATIONS

ROOT = Path(__file__).resolve().parents[2]
UNITS = [f"unit-{letter}" for letter in "abcdef"]


def _start(database, folder, units, *, pause_s=0.0):
    return subprocess.Popen(
        [sys.executable, "-m", "tests.hub.pushing_process", database, str(folder),
         ",".join(units), str(pause_s)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )  # fmt: skip


def _log_of(unit):
    return list(UnitLog(unit).cases(OPERATIONS))


def _assert_numbered_once(store):
    """Say that no two entries have the same receipt number."""
    with store.reading():
        numbers = [
            entry.seq
            for log in store.operations.logs()
            for entry in store.operations.entries_of_log(*log)
        ]
    assert len(set(numbers)) == len(numbers)


@pytest.fixture
def folder(tmp_path):
    """The folder of a hub's key, which its processes share."""
    return tmp_path / "hub"


def _held(store):
    with store.reading():
        return {log: list(store.operations.of_log(*log)) for log in store.operations.logs()}


def test_two_processes_under_parallel_pushes_lose_and_double_nothing(database, folder):
    """[EX5] [LG1] Each unit pushes its whole log to both, as one that got no answer in time does.

    The planted bug it has caught: transactions that take no lock, so that both processes give
    the same handle, and write into the same place of a log.
    """
    open_hub_store(database, folder, new_generation="generation-1").close()

    processes = [_start(database, folder, units) for units in (UNITS, UNITS[::-1])]
    said = [process.communicate(timeout=120)[0].splitlines() for process in processes]

    assert [process.returncode for process in processes] == [0, 0]
    for lines in said:
        pushes = -(-OPERATIONS // BATCH) * len(UNITS)
        assert lines[0] == "ready"
        assert len(lines) > pushes
        # Nothing was set aside on the way.
        assert all(len(line.split(" ")) == 3 for line in lines[1:])
    store = open_hub_store(database, folder, new_generation="generation-1")
    assert _held(store) == {(unit, "bench1"): _log_of(unit) for unit in UNITS}
    _assert_numbered_once(store)
    assert verify_log(store).findings == ()
    store.close()


def test_a_reader_never_sees_a_number_before_a_lower_one(database, folder):
    """[EX7] A unit that reads on from the last number it saw misses nothing of what comes later.

    The planted bug it has caught: receipt numbers from a sequence without the lock of writers.
    """
    store = open_hub_store(database, folder, new_generation="generation-1")
    processes = [_start(database, folder, UNITS[start::2]) for start in (0, 1)]
    read, after = [], 0
    while True:
        is_over = all(process.poll() is not None for process in processes)
        with store.reading():
            entries = store.operations.of_stream("registry", after=after, limit=500)
        read.extend(entry.seq for entry in entries)
        after = read[-1] if read else 0
        if is_over and not entries:
            break
    with store.reading():
        everything = store.operations.of_stream("registry", after=0, limit=100_000)

    assert [process.returncode for process in processes] == [0, 0]
    assert len(everything) == sum(len(_log_of(unit)) for unit in UNITS)
    assert read == [entry.seq for entry in everything]
    assert all(one < other for one, other in pairwise(read))
    for process in processes:
        process.stdout.close()
    store.close()


def test_what_was_acknowledged_survives_the_kill_of_a_process(database, folder):
    """[EX5] [REL-01] And another process goes on at once: the dead one holds no lock.

    The planted bug it has caught: an answer given before the commit.
    """
    open_hub_store(database, folder, new_generation="generation-1").close()
    process = _start(database, folder, UNITS, pause_s=0.002)
    said = [process.stdout.readline() for _ in range(40)]
    process.send_signal(signal.SIGKILL)
    process.wait()
    said += process.stdout.readlines()
    process.stdout.close()

    store = open_hub_store(database, folder, new_generation="generation-1")
    acknowledged = {}
    for line in said[1:]:
        if line.endswith("\n"):
            unit, counter, hash_ = line.split()
            acknowledged[unit] = int(counter), hash_
    assert len(acknowledged) == len(UNITS)
    assert any(counter < OPERATIONS for counter, _ in acknowledged.values())
    for unit, (counter, hash_) in acknowledged.items():
        with store.transaction():
            assert store.operations.hash_at(unit, "bench1", counter) == hash_
    assert verify_log(store).findings == ()
    _push_rest(store)
    assert _held(store) == {(unit, "bench1"): _log_of(unit) for unit in UNITS}
    store.close()


def _push_rest(store):
    """Push every log from where the store says that it ends."""
    for unit in UNITS:
        with store.transaction():
            tip = store.operations.tip_of(unit, "bench1")
        rest = _log_of(unit)[tip.counter :]
        for start in range(0, len(rest), 100):
            receive_push(
                store, Device(unit, unit, "unit", None), rest[start : start + 100], now_ms=NOW_MS
            )


def test_a_database_that_was_cut_off_keeps_what_was_acknowledged(postgres, database, folder):
    """[REL-01] And the same store goes on when it is back, with a sentence in between."""
    store = open_hub_store(database, folder, new_generation="generation-1")
    (unit, *_) = UNITS
    log = _log_of(unit)
    device = Device(unit, unit, "unit", None)
    receive_push(store, device, log[:20], now_ms=NOW_MS)
    postgres.stop("immediate")
    try:
        with pytest.raises(StorageError, match="database"):
            receive_push(store, device, log[20:40], now_ms=NOW_MS)
    finally:
        postgres.start()

    receive_push(store, device, log[20:40], now_ms=NOW_MS)
    assert _held(store) == {(unit, "bench1"): log[:40]}
    store.close()


def test_a_hub_put_back_from_a_copy_heals_when_its_units_push_again(postgres, database, folder):
    """[EX3] Units go on from where the older copy ends, and receipt numbers from there, too.

    The planted bug it has caught: a sequence of receipt numbers that begins anew in the copy.
    """
    store = open_hub_store(database, folder, new_generation="generation-1")
    for unit in UNITS:
        receive_push(store, Device(unit, unit, "unit", None), _log_of(unit)[:50], now_ms=NOW_MS)
    store.close()
    dump = postgres.folder / "hub.dump"
    postgres.run("pg_dump", "-Fc", "-f", str(dump), "-d", database)
    store = open_hub_store(database, folder, new_generation="generation-1")
    _push_rest(store)
    store.close()

    restored = postgres.make_database()
    postgres.run("pg_restore", "-d", restored, str(dump))
    store = open_hub_store(restored, folder, new_generation="generation-2")
    with store.transaction():
        before = store.operations.count()
    _push_rest(store)

    assert before == 50 * len(UNITS)
    _assert_numbered_once(store)
    assert _held(store) == {(unit, "bench1"): _log_of(unit) for unit in UNITS}
    assert verify_log(store).findings == ()
    store.close()


def test_every_process_is_woken_when_another_one_appends(database, folder):
    """[EX7] The planted bug it has caught: a listener that hears its own process alone."""
    one = open_hub_store(database, folder, new_generation="generation-1")
    other = open_hub_store(database, folder, new_generation="generation-1")
    rung = []
    close = other.listen(lambda: rung.append(time.monotonic()))
    _await(lambda: rung)
    rung.clear()

    unit = UNITS[0]
    receive_push(one, Device(unit, unit, "unit", None), _log_of(unit)[:5], now_ms=NOW_MS)

    _await(lambda: rung)
    close()
    one.close()
    other.close()


def _await(condition, *, seconds=10):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_another_key_than_the_hubs_is_refused(database, folder, tmp_path):
    """[SG7] Units know the hub by one key."""
    open_hub_store(database, folder, new_generation="generation-1").close()

    with pytest.raises(StorageError, match="Copy that file"):
        open_hub_store(database, tmp_path / "elsewhere", new_generation="generation-1")


def test_a_database_that_answers_too_soon_is_told_not_to(database, folder):
    """[REL-01] The planted bug it has caught: a session that answers before it has written."""
    name = psycopg.conninfo.conninfo_to_dict(database)["dbname"]
    with psycopg.connect(database, autocommit=True) as session:
        session.execute(f"ALTER DATABASE {name} SET synchronous_commit = off")
    store = open_hub_store(database, folder, new_generation="generation-1")
    with store.transaction():
        row = store._database.connection.execute("SHOW synchronous_commit").fetchone()
    store.close()

    assert row == ("on",)


def test_a_server_that_keeps_nothing_through_a_power_cut_is_refused(postgres, database, folder):
    """[REL-01] The planted bug it has caught: settings of the server that nobody looked at."""
    postgres.stop()
    settings = postgres.folder / "data/postgresql.auto.conf"
    before = settings.read_text()
    settings.write_text(f"{before}fsync = off\n")
    postgres.start()
    try:
        with pytest.raises(StorageError, match="fsync"):
            open_hub_store(database, folder, new_generation="generation-1")
    finally:
        postgres.stop()
        settings.write_text(before)
        postgres.start()
