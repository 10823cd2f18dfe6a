"""The closed days of the unit's country, against the rules of England's bank holidays.

Source: Banking and Financial Dealings Act 1971, schedule 1; Easter by the Gregorian computus of
Meeus, Astronomical Algorithms 1991, chapter 8.
"""

import json

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store
from api.use_cases.add_sessions import add_sessions
from api.use_cases.closed_days import AHEAD_DAYS, list_closed_days, name_country
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.server_log import Chance
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

ON = "2026-03-16"
ENGLAND_2026_27 = {
    # Easter lies on 5 April 2026 and 28 March 2027; substitutes where a day meets a weekend.
    "2026-04-03": "Good Friday",
    "2026-04-06": "Easter Monday",
    "2026-05-04": "May Day",
    "2026-05-25": "Spring",
    "2026-08-31": "Late Summer",
    "2026-12-25": "Christmas",
    "2026-12-28": "Boxing",
    "2027-01-01": "New Year",
    "2027-03-26": "Good Friday",
    "2027-03-29": "Easter Monday",
}


def _chance(unit):
    environment = unit.environment
    return Chance(environment.new_id(), "eps1", environment.new_salt(), environment.now_ms())


@pytest.fixture
def told(unit):
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write("staff/s-1", name="Cass Underhay", role="booking", active=True)
        story.write("staff/s-2", name="Pell Thistlewood", role="booking", active=False)
    return story


def _name(unit, country, subdivision="", by="staff/s-1"):
    with unit.store.transaction():
        name_country(unit.store, country, subdivision, by=by, chance=_chance(unit))


def test_devices_are_told_the_holidays_of_the_country_and_strangers_none(unit, told, a):
    """[FU-02] Planted bug that this caught: days beyond the horizon were told too."""
    _name(unit, "GB", "ENG")
    answer = unit.client.get("/api/closed-days", headers=a).json()
    days = {one["on"]: one["name"] for one in answer["days"]}

    assert (answer["country"], answer["subdivision"]) == ("GB", "ENG")
    assert (answer["from_on"], answer["until_on"]) == (ON, "2028-05-24")
    assert list(days) == sorted(days)
    assert all(ON <= on <= answer["until_on"] for on in days)
    for on, words in ENGLAND_2026_27.items():
        assert words in days[on], on
    assert "2026-04-07" not in days
    assert unit.client.get("/api/closed-days").status_code == 401
    desk = unit.join("desk-b", "booking")
    assert unit.client.get("/api/closed-days", headers=desk).json() == answer
    assert AHEAD_DAYS == 800


def test_a_unit_that_named_no_country_has_no_closed_days(unit, told, a):
    assert unit.client.get("/api/closed-days", headers=a).json()["days"] == []
    for wrong in ({"country": "__doc__"}, {"country": 7}, "GB", {"country": "gb"}):
        with unit.store.transaction():
            told.write("site/u", holidays_of=wrong)
        assert list_closed_days(unit.store, on=ON).country == "", wrong


def test_of_two_answers_on_the_country_none_counts(unit, told):
    """[HAZ-12]"""
    _name(unit, "GB", "ENG")
    with unit.store.transaction():
        (site,) = unit.store.views.of_kind("site")
        other = Story(unit.store, device="desk-z", now_ms=NOON_MS + 99)
        other.write(site.record, sees=False, holidays_of={"country": "DE", "subdivision": "BY"})
    assert list_closed_days(unit.store, on=ON).days == ()


@pytest.mark.parametrize(
    ("country", "subdivision", "by", "refusal"),
    [
        ("XX", "", "staff/s-1", CalculationError),
        ("GB", "XYZ", "staff/s-1", CalculationError),
        ("GB", "", "staff/s-2", NotAllowedError),
        ("GB", "", "staff/s-9", NotAllowedError),
    ],
)
def test_an_unknown_country_and_a_stranger_are_refused(
    unit, told, country, subdivision, by, refusal
):
    with pytest.raises(refusal):
        _name(unit, country, subdivision, by)
    assert unit.store.views.of_kind("site") == []


def test_the_first_season_names_the_country_and_later_ones_leave_it(unit, told):
    """[FU-02]"""

    def lay_out(country, starts):
        pattern = {
            "time_zone": "Europe/London",
            "country": country,
            "from_on": "2026-04-01",
            "until_on": "2026-04-10",
            "sessions": [{"weekday": "friday", "place": "Room 4", "starts": starts, "capacity": 2}],
        }
        add_sessions(
            unit.store,
            json.dumps(pattern).encode(),
            by="staff/s-1",
            draw_chance=lambda: _chance(unit),
        )

    lay_out("", "09:00")
    assert list_closed_days(unit.store, on=ON).country == ""
    lay_out("GB", "10:00")
    lay_out("DE", "11:00")
    assert list_closed_days(unit.store, on=ON).country == "GB"


def test_a_command_names_the_country_and_lists_its_days(tmp_path):
    store = open_unit_store(tmp_path, new_generation="generation-1")
    with store.transaction():
        Story(store, now_ms=NOON_MS).write("staff/s-1", name="Cass", role="booking", active=True)
    store.close()

    def run(*arguments):
        found = CliRunner().invoke(main, ["closed-days", "--data", str(tmp_path), *arguments])
        return found.exit_code, found.output

    assert "named no country" in run()[1]
    code, told = run("--country", "GB", "--subdivision", "ENG", "--by", "staff/s-1")
    assert (code, "Closed days of GB-ENG" in told) == (0, True)
    assert "Christmas Day" in run()[1]
    assert run("--country", "GB")[0] == 2
