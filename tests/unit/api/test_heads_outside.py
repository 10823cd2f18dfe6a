"""Where the logs end leaves the machine once a day, and a store is held against it (SEC-17)."""

import asyncio
import shutil
import socket
import subprocess
import sys

import msgspec
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.routes.heads_watch import LATE_MS, HeadsWatch
from api.storage.errors import StorageError
from api.storage.outside_heads import list_heads, read_heads, refuse_place
from api.storage.unit_store import open_unit_store
from api.use_cases.heads_outside import write_heads_of_day
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.people import add_person
from api.use_cases.verify_log import verify_log
from tests.unit.api.desk_person import DeskPerson, chance_of
from tests.unit.api.standing_unit import NOON_MS, StandingUnit

DAY = "2026-03-16"
CRURA = [sys.executable, "-c", "from api.command_line import main; main()"]


class _Days:
    """An environment whose day and clock are moved by hand."""

    time_zone = "Europe/London"
    on = DAY
    ms = NOON_MS

    def today(self, _zone=""):
        return self.on

    def now_ms(self):
        return self.ms


@pytest.fixture
def filled(unit):
    """A unit with entries of its own and lines of the trail."""
    for name in ("Ida Norrwood", "Wren Alder", "Asa Fenwick"):
        add_person(unit.store, name, "assistant", by="", chance=chance_of(unit))
    return unit


def _write(unit, place, on=DAY):
    return write_heads_of_day(unit.store, place, on=on, at_ms=NOON_MS)


def _verify(unit, place):
    return verify_log(unit.store, (), [read_heads(path) for path in list_heads(place)]).findings


def test_a_day_holds_where_every_log_and_the_trail_end(filled, tmp_path):
    written = _write(filled, tmp_path / "outside")
    heads = read_heads(written.path)

    assert heads.is_sound
    assert (heads.on, heads.at_ms) == (DAY, NOON_MS)
    assert heads.key_id == filled.store.server_key.key_id
    with filled.store.transaction():
        assert heads.logs == filled.store.heads_to_seal()
        assert (heads.access.seq, heads.access.hash) == filled.store.access.tip()
    assert len(heads.logs) >= 1
    assert [one.name for one in (tmp_path / "outside").iterdir()] == [written.path.name]
    assert _verify(filled, tmp_path / "outside") == ()


def test_a_file_of_the_day_is_written_once(filled, tmp_path):
    """Whoever cuts a log off in the afternoon does not get the morning's heads written over."""
    first = _write(filled, tmp_path)
    before = first.path.read_bytes()
    add_person(filled.store, "Pell Thistlewood", "booking", by="", chance=chance_of(filled))
    again = write_heads_of_day(filled.store, tmp_path, on=DAY, at_ms=NOON_MS + 5)

    assert (again, first.path.read_bytes()) == (first, before)
    assert _write(filled, tmp_path, "2026-03-17").path != first.path


@pytest.mark.parametrize("planted", [b"", b"{}", b"\xff\xfe", None])
def test_a_file_that_somebody_else_put_there_is_no_days_head(filled, tmp_path, planted):
    """Caught: whatever lay under the name of the day was taken for written."""
    written = _write(filled, tmp_path)
    if planted is None:
        altered = msgspec.structs.replace(read_heads(written.path), at_ms=NOON_MS + 1)
        planted = msgspec.json.encode(altered)
    written.path.write_bytes(planted)

    with pytest.raises(StorageError, match=r"Look who changed it|holds no heads"):
        _write(filled, tmp_path)
    assert written.path.read_bytes() == planted


def _server_log_of(unit):
    return max(unit.store.heads_to_seal(), key=lambda head: head.counter)


def test_a_log_cut_off_with_its_signatures_is_found_by_a_head_outside_alone(filled, tmp_path):
    """[SEC-17] Planted bug: with the logs left out of `verify_log`, the cut was not found."""
    _write(filled, tmp_path)
    with filled.store.transaction():
        last = _server_log_of(filled)
        execute = filled.store._database.connection.execute
        execute(
            "DELETE FROM log_entry WHERE counter = ? AND log IN"
            " (SELECT id FROM log WHERE device = ? AND epoch = ?)",
            (last.counter, last.device, last.epoch),
        )
    told = _verify(filled, tmp_path)

    name = f"{last.device}.{last.epoch}.{last.counter}"
    assert any(f"{name} was held on {DAY} and is gone" in one for one in told), told


def test_a_trail_cut_off_with_its_heads_is_found_too(filled, tmp_path):
    """[AU3] The head of the trail lies in the same file."""
    _write(filled, tmp_path)
    with filled.store.transaction():
        execute = filled.store._database.connection.execute
        execute("DELETE FROM access_head")
        execute("DELETE FROM access_event WHERE seq = (SELECT max(seq) FROM access_event)")

    assert verify_log(filled.store).findings == ()
    assert any("kept outside, was reached once" in one for one in _verify(filled, tmp_path))


def test_what_was_added_since_is_nothing_wrong(filled, tmp_path):
    _write(filled, tmp_path)
    add_person(filled.store, "Pell Thistlewood", "booking", by="", chance=chance_of(filled))
    event = AccessEvent(at_ms=NOON_MS, asker="machine", verb="read", object="patient")
    note_access(filled.store, event)

    assert _verify(filled, tmp_path) == ()


def test_heads_of_a_stranger_or_with_another_text_are_told(filled, tmp_path):
    own = read_heads(_write(filled, tmp_path / "own").path)
    stranger = StandingUnit(tmp_path / "stranger")
    theirs = read_heads(_write(stranger, tmp_path / "theirs").path)
    stranger.store.close()
    changed = msgspec.structs.replace(own, logs=own.logs[:-1])

    told = verify_log(filled.store, (), [theirs]).findings
    assert any("signed by a key that this server never had" in one for one in told)
    told = verify_log(filled.store, (), [changed]).findings
    assert any("not what their key signed" in one for one in told)


def test_the_command_reads_a_folder_and_says_what_is_none(tmp_path):
    folder, outside = tmp_path / "unit", tmp_path / "outside"
    run = CliRunner()
    add = ["staff", "add", "--name", "Ida Norrwood", "--role", "unit-admin", "--data", str(folder)]
    assert run.invoke(main, add).exit_code == 0
    store = open_unit_store(folder, new_generation="g")
    write_heads_of_day(store, outside, on=DAY, at_ms=NOON_MS)
    store.close()

    sound = run.invoke(main, ["verify", "--heads", str(outside), "--data", str(folder)])
    assert (sound.exit_code, "are sound" in sound.output) == (0, True), sound.output
    # Another unit under the same heads: nothing of them is there.
    other = tmp_path / "other"
    shutil.copytree(folder, other)
    for path in other.glob("crura.server-key.pem"):
        path.unlink()
    told = run.invoke(main, ["verify", "--heads", str(outside), "--data", str(other)])
    assert told.exit_code == 2
    (tmp_path / "empty").mkdir()
    for place in (tmp_path / "empty", tmp_path / "absent", folder):
        refused = run.invoke(main, ["verify", "--heads", str(place), "--data", str(folder)])
        assert refused.exit_code == 2
        assert "holds no heads" in " ".join(refused.output.split())


async def _until(is_so):
    for _ in range(500):
        if is_so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it did not come")


def test_the_watch_writes_at_the_start_and_on_each_new_day(filled, tmp_path):
    """Planted bug: looked once, it wrote no second day."""
    days = _Days()

    async def run():
        watch = HeadsWatch(filled.store, days, tmp_path, look_every_seconds=0.01)
        assert watch.standing() == "out"
        await watch.rounds.start()
        await _until(lambda: watch.latest is not None)
        days.on, days.ms = "2026-03-17", NOON_MS + 86_400_000
        await _until(lambda: watch.latest.as_of_on == days.on)
        await watch.rounds.close()

    asyncio.run(run())
    assert [read_heads(path).on for path in list_heads(tmp_path)] == [DAY, "2026-03-17"]


def test_none_that_left_for_more_than_a_day_is_told(filled, tmp_path):
    """[SEC-17] Caught: a place that filled up was found when its files were needed."""
    days, place = _Days(), tmp_path / "outside"
    watch = HeadsWatch(filled.store, days, place)
    watch._look()
    assert watch.standing() == "out"

    shutil.rmtree(place)
    place.write_text("a file in its place")
    days.on, days.ms = "2026-03-17", NOON_MS + LATE_MS
    watch._look()
    assert watch.standing() == "out"
    days.ms += 1
    assert watch.standing() == "late"
    assert [watch.is_told(role) for role in ("auditor", "unit-admin", "booking")] == [
        True,
        True,
        False,
    ]
    place.unlink()
    watch._look()
    assert watch.standing() == "out"


def test_a_first_try_that_fails_is_told_at_once(filled, tmp_path):
    place = tmp_path / "outside"
    place.write_text("a file in its place")
    watch = HeadsWatch(filled.store, _Days(), place)
    watch._look()

    assert watch.standing() == "late"
    assert HeadsWatch(filled.store, _Days(), None).standing() == "no-place"


def test_health_and_the_desk_say_how_the_heads_stand(filled, tmp_path, monkeypatch):
    """[SEC-17] Health to whoever watches; the desk to who sees to it, and to nobody else."""
    around = filled.client.app.state.surroundings
    assert filled.client.get("/api/health").json()["heads"] == "no-place"

    monkeypatch.setattr(around.heads_watch, "outside", tmp_path / "outside")
    (tmp_path / "outside").write_text("a file in its place")
    around.heads_watch._look()
    assert filled.client.get("/api/health").json()["heads"] == "late"
    for role, is_told in (("auditor", True), ("unit-admin", True), ("endoscopist", False)):
        person = DeskPerson(filled, f"Person {role}", role)
        assert person.log_in().json()["heads_late"] is is_told
        assert person.ask("GET", "/api/session").json()["heads_late"] is is_told


def test_a_place_in_the_data_folder_or_that_refuses_is_refused(tmp_path):
    """[SEC-17] Beside the store the heads would go with it."""
    folder = tmp_path / "unit"
    folder.mkdir()
    (tmp_path / "link").symlink_to(folder)
    (tmp_path / "file").write_text("")
    for inside in (folder, folder / "heads", tmp_path / "link" / "heads", folder / ".." / "unit"):
        with pytest.raises(StorageError, match="lies in the data folder"):
            refuse_place(inside, folder)
    with pytest.raises(StorageError, match="cannot be written"):
        refuse_place(tmp_path / "file" / "heads", folder)
    refuse_place(tmp_path / "outside", folder)
    assert list((tmp_path / "outside").iterdir()) == []


def _serve(folder, *options):
    """Serve until it says that it does, and return what it said until then and what it left."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [*CRURA, "serve", "--data", str(folder), "--port", str(port), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        return process, [process.stdout.readline()]
    except BaseException:
        process.kill()
        raise


def test_serve_writes_them_or_says_that_they_stay(tmp_path):
    """[SEC-17] Caught: `crura serve` left it to a job of the operator's, and said nothing of it."""
    folder, outside = tmp_path / "unit", tmp_path / "outside"
    process, said = _serve(folder)
    said.append(process.stdout.readline())
    process.terminate()
    process.wait(timeout=30)
    assert "Crura serves" in said[0]
    assert "stay in the store that they guard: give --heads-to" in said[1]

    process, said = _serve(folder, "--heads-to", str(outside))
    try:
        asyncio.run(_until(lambda: list(outside.glob("heads-*.json"))))
    finally:
        process.terminate()
        rest = process.communicate(timeout=30)[0]
    assert "stay in the store" not in said[0] + rest
    assert read_heads(list_heads(outside)[0]).is_sound
