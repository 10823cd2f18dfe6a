"""The file of the store is read through at the start and on each new day (HAZ-39).

Planted bugs that this caught: a watch that looks once and never again; a verdict that is kept and
told to nobody.
"""

import asyncio

from api.routes.file_watch import FileWatch
from api.use_cases.judge_file import last_verdict
from tests.unit.api.standing_unit import NOON_MS


class _Days:
    """An environment whose day is moved by hand."""

    time_zone = "Europe/London"
    on = "2026-03-16"

    def today(self, _zone=""):
        return self.on

    def now_ms(self):
        return NOON_MS


async def _until(is_so):
    for _ in range(500):
        if is_so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it did not come")


def _watch(unit, days, then):
    async def run():
        watch = FileWatch(unit.store, days, look_every_seconds=0.01)
        await watch.rounds.start()
        await _until(lambda: watch.latest is not None)
        await then(watch)
        await watch.rounds.close()

    asyncio.run(run())


def _damage(unit):
    """Take a row out of an index and leave it in its table, as a torn write does."""
    with unit.store.transaction():
        execute = unit.store._database.connection.execute
        execute("CREATE INDEX some_facts ON fact (content)")
        kept = execute("SELECT * FROM sqlite_schema WHERE name = 'some_facts'").fetchone()
        version = execute("PRAGMA schema_version").fetchone()[0]
        execute("PRAGMA writable_schema = on")
        execute("DELETE FROM sqlite_schema WHERE name = 'some_facts'")
        execute(f"PRAGMA schema_version = {version + 1}")
        execute("PRAGMA writable_schema = reset")
        execute("INSERT INTO fact VALUES ('planted', 'row')")
        execute("PRAGMA writable_schema = on")
        execute("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", kept)
        execute(f"PRAGMA schema_version = {version + 2}")
        execute("PRAGMA writable_schema = reset")


def test_the_file_is_read_through_at_the_start_and_on_each_new_day(unit, caplog):
    """[HAZ-39]"""
    days = _Days()

    async def a_day_later(watch):
        first = watch.latest
        await asyncio.sleep(0.05)
        assert watch.latest is first, "once a day"
        days.on = "2026-03-17"
        await _until(lambda: watch.latest is not first)
        assert (watch.latest.as_of_on, watch.latest.is_sound) == ("2026-03-17", True)

    _watch(unit, days, a_day_later)
    assert caplog.text == ""


def test_a_damaged_file_is_told_under_decisions_on_every_device_and_what_is_sound_is_not(
    unit, caplog
):
    """[HAZ-39] [CF5]"""
    desk = unit.join("desk-1", "booking")

    def alarms():
        return unit.client.get("/api/decisions", headers=desk).json()["alarms"]

    async def nothing(_watch):
        return

    _watch(unit, _Days(), nothing)
    assert alarms() == []
    _damage(unit)
    _watch(unit, _Days(), nothing)

    (alarm,) = alarms()
    assert (alarm["kind"], alarm["received_ms"]) == ("damaged", NOON_MS)
    assert "crura verify" in alarm["sentence"]
    assert "The file of the store is damaged" in caplog.text
    with unit.store.transaction():
        assert "missing from index" in last_verdict(unit.store).verdict


def test_a_look_that_breaks_is_tried_again(unit, caplog, monkeypatch):
    """[HAZ-39] [SEC-20]"""
    own, calls = unit.store.check_file, []

    def break_once():
        calls.append(1)
        if len(calls) == 1:
            raise RuntimeError("Greyfen, Tobias")
        return own()

    monkeypatch.setattr(unit.store, "check_file", break_once)

    async def nothing(_watch):
        return

    _watch(unit, _Days(), nothing)
    assert "RuntimeError while the file" in caplog.text
    assert "Greyfen" not in caplog.text
