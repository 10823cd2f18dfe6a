"""The commands for calendars: in the folder while nobody serves, else by the running server."""

import httpx
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store
from tests.browser.unit_server import UnitServer
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS


def _run(*arguments):
    found = CliRunner().invoke(main, list(arguments))
    return found.exit_code, found.output


def _lay_out(folder):
    store = open_unit_store(folder, new_generation="generation-1")
    with store.transaction():
        Story(store, now_ms=NOON_MS).session("one", "2026-03-20")
    store.close()


def test_a_calendar_is_added_listed_and_revoked(tmp_path):
    """[FU-09] The address is told once and the list never holds it."""
    _lay_out(tmp_path)

    code, told = _run("calendar", "add", "Room 4", "--data", str(tmp_path))
    assert code == 0, told
    token = told.split("/calendar/")[1].split(".ics")[0]
    assert len(token) == 64

    code, listed = _run("calendar", "list", "--data", str(tmp_path))
    calendar = listed.split()[0]
    assert (code, token in listed, "Room 4" in listed, "closed" in listed) == (
        0,
        False,
        True,
        False,
    )

    code, told = _run("calendar", "revoke", calendar, "--data", str(tmp_path))
    assert (code, "finds nothing" in told) == (0, True)
    assert "closed" in _run("calendar", "list", "--data", str(tmp_path))[1]
    store = open_unit_store(tmp_path, new_generation="generation-1")
    with store.transaction():
        assert store.calendars.find(token) is None
    store.close()


def test_a_calendar_that_is_not_there_is_refused_in_a_sentence(tmp_path):
    _lay_out(tmp_path)

    code, told = _run("calendar", "revoke", "nothing", "--data", str(tmp_path))
    assert (code, "no open calendar" in told) == (2, True)
    code, told = _run("calendar", "add", "Room 5", "--data", str(tmp_path))
    assert (code, "Room 4" in told) == (2, True)


def test_the_measures_are_told_by_a_command(tmp_path):
    """[FU-16]"""
    _lay_out(tmp_path)

    code, told = _run("follow-up-measures", "--data", str(tmp_path))
    assert (code, "no figure (0 of 0)" in told) == (0, True)
    code, told = _run("follow-up-measures", "--from", "soon", "--data", str(tmp_path))
    assert (code, "no date" in told) == (2, True)


def test_a_running_server_makes_and_closes_calendars_for_the_commands(tmp_path):
    """[FU-09] The address works at once, and no longer once it was revoked."""
    _lay_out(tmp_path / "unit")
    server = UnitServer(tmp_path / "unit")
    server.start()
    try:
        told = server.crura("calendar", "add", "Room 4")
        address = told.splitlines()[0]
        assert address.startswith(server.address)
        assert httpx.get(address).text.startswith("BEGIN:VCALENDAR")
        calendar = server.crura("calendar", "list").split()[0]
        server.crura("calendar", "revoke", calendar)
        assert httpx.get(address).status_code == 404
    finally:
        server.stop()
