"""A season of sessions: weekdays, holidays, the unit's own closed days, and the clocks.

The bank holidays are those of "UK bank holidays" as the government of the United Kingdom publishes
them for each division; the others are named in the law cited beside them.
"""

import json
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.booking.clinic_calendar import lay_out_sessions, list_holidays, session_record, starts_at
from api.booking.clinic_pattern import WEEKDAYS, read_pattern
from api.booking.errors import BookingError

PATTERN = {
    "time_zone": "Europe/London",
    "country": "GB",
    "subdivision": "ENG",
    "from_on": "2026-03-23",
    "until_on": "2026-04-12",
    "sessions": [
        {
            "weekday": "monday",
            "place": "Endoscopy room 2",
            "starts": "09:00",
            "capacity": 5,
            "equipment": ["scope", "ultrasound-scope"],
        },
        {"weekday": "friday", "place": "Clinic room 4", "starts": "13:30", "capacity": 6},
    ],
}


def lay_out(**changed):
    return lay_out_sessions(read_pattern(json.dumps({**PATTERN, **changed}).encode()))


def refuse(**changed):
    with pytest.raises(BookingError) as refused:
        lay_out(**changed)
    return str(refused.value)


def test_a_season_has_each_session_each_week_and_closed_ones_stay_in_it():
    """Good Friday and Easter Monday 2026 are 3 and 6 April.

    Planted bugs that this caught: closed sessions left out, and weekdays counted from Sunday.
    """
    season = lay_out()

    assert [(one.on, one.place, one.closed_because, one.closed_note) for one in season] == [
        ("2026-03-23", "Endoscopy room 2", "", ""),
        ("2026-03-27", "Clinic room 4", "", ""),
        ("2026-03-30", "Endoscopy room 2", "", ""),
        ("2026-04-03", "Clinic room 4", "holiday", "Good Friday"),
        ("2026-04-06", "Endoscopy room 2", "holiday", "Easter Monday"),
        ("2026-04-10", "Clinic room 4", "", ""),
    ]
    assert {one.capacity for one in season} == {5, 6}
    assert season[0].equipment == ("scope", "ultrasound-scope")


def test_a_session_every_second_week():
    weekly = {**PATTERN["sessions"][0], "every_weeks": 2}

    assert [one.on for one in lay_out(sessions=[weekly])] == ["2026-03-23", "2026-04-06"]


def test_own_closed_days_close_their_place_alone_and_a_holiday_goes_first():
    """At the first and the last closed day, and a day beside each."""
    weekly = [
        {**PATTERN["sessions"][0], "weekday": day, "place": place}
        for day in WEEKDAYS[:5]
        for place in ("Endoscopy room 2", "Clinic room 4")
    ]
    closed = [
        {
            "on": "2026-03-31",
            "until_on": "2026-04-03",
            "because": "staff-away",
            "place": "Clinic room 4",
        }
    ]
    found = {
        (one.on, one.place): one.closed_because for one in lay_out(sessions=weekly, closed=closed)
    }

    assert [found[on, "Clinic room 4"] for on in ("2026-03-30", "2026-03-31", "2026-04-01")] == [
        "",
        "staff-away",
        "staff-away",
    ]
    assert [found[on, "Clinic room 4"] for on in ("2026-04-02", "2026-04-03", "2026-04-07")] == [
        "staff-away",
        "holiday",
        "",
    ]
    assert found["2026-04-01", "Endoscopy room 2"] == ""


@pytest.mark.parametrize(
    ("subdivision", "is_off", "is_not"),
    [
        # "UK bank holidays", 2026, England and Wales: Boxing Day lies on a Saturday, and Monday
        # 28 December is given instead.
        (
            "ENG",
            ["01-01", "04-03", "04-06", "05-04", "05-25", "08-31", "12-25", "12-28"],
            ["01-02", "03-17", "08-03", "11-30", "07-13"],
        ),
        # Scotland: 2 January, the first Monday of August, St Andrew's Day; no Easter Monday.
        ("SCT", ["01-01", "01-02", "04-03", "08-03", "11-30", "12-28"], ["04-06", "08-31"]),
        # Northern Ireland: St Patrick's Day, and 13 July for the 12th, a Sunday.
        ("NIR", ["03-17", "04-06", "07-13", "08-31", "12-28"], ["01-02", "08-03", "11-30"]),
    ],
)
def test_bank_holidays_are_those_published(subdivision, is_off, is_not):
    """Planted bug that this caught: the subdivision left out."""
    found = list_holidays("GB", subdivision, from_on="2026-01-01", until_on="2026-12-31")

    assert [day for day in is_off if f"2026-{day}" not in found] == []
    assert [day for day in is_not if f"2026-{day}" in found] == []


def test_holidays_of_other_countries_are_known_by_their_parts():
    """Bavaria has Corpus Christi (Feiertagsgesetz, article 1), Berlin has not; Madrid has 2 May."""
    corpus_christi, madrid_day = "2026-06-04", "2026-05-02"
    days = {
        (country, part): list_holidays(country, part, from_on="2026-01-01", until_on="2026-12-31")
        for country, part in (("DE", "BY"), ("DE", "BE"), ("ES", "MD"), ("ES", "CT"))
    }

    assert corpus_christi in days["DE", "BY"]
    assert corpus_christi not in days["DE", "BE"]
    assert madrid_day in days["ES", "MD"]
    assert madrid_day not in days["ES", "CT"]


@pytest.mark.parametrize(("country", "part"), [("ZZ", ""), ("GB", "ZZZ"), ("england", "")])
def test_an_unknown_country_or_part_is_refused_in_one_sentence(country, part):
    assert "Give the country as in ISO 3166-1, such as GB" in refuse(
        country=country, subdivision=part
    )


def test_no_country_has_no_holiday():
    assert {one.closed_because for one in lay_out(country="", subdivision="")} == {""}


@pytest.mark.parametrize(
    ("on", "starts", "instant"),
    [
        # The clocks of Europe/London go forward on 29 March 2026 and back on 25 October.
        ("2026-03-28", "09:00", "2026-03-28T09:00"),
        ("2026-03-29", "09:00", "2026-03-29T08:00"),
        ("2026-03-30", "09:00", "2026-03-30T08:00"),
        ("2026-10-24", "09:00", "2026-10-24T08:00"),
        ("2026-10-25", "09:00", "2026-10-25T09:00"),
        ("2026-03-29", "00:59", "2026-03-29T00:59"),
        ("2026-03-29", "02:00", "2026-03-29T01:00"),
        # It comes twice; the first counts.
        ("2026-10-25", "01:30", "2026-10-25T00:30"),
    ],
)
def test_sessions_keep_their_wall_time_when_the_clocks_change(on, starts, instant):
    """Summer Time Order 2002: the last Sundays of March and October, at 01:00 UTC."""
    assert starts_at(on, starts, "Europe/London") == datetime.fromisoformat(instant).replace(
        tzinfo=UTC
    )


@pytest.mark.parametrize("starts", ["01:00", "01:30", "01:59"])
def test_a_time_that_the_clocks_skip_is_refused(starts):
    """Planted bug that this caught: the time moved on by an hour without a word."""
    sunday = {**PATTERN["sessions"][0], "weekday": "sunday", "starts": starts}

    assert refuse(sessions=[sunday]) == (
        f"The clocks skip {starts} on 2026-03-29 in Europe/London. "
        "Choose another time of that session."
    )


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"from_on": "2026-02-30"}, "'2026-02-30' is no date such as 2026-03-01."),
        ({"until_on": "2026-03-22"}, "The season must end on or after its first day"),
        ({"until_on": "2027-04-27"}, "within 400 days"),
        ({"time_zone": "Europe/Nowhere"}, "is no time zone such as Europe/London"),
        ({"time_zone": "../../etc/passwd"}, "is no time zone such as Europe/London"),
        ({"sessions": []}, "The pattern cannot be read"),
        ({"sessions": [{**PATTERN["sessions"][0], "starts": "9:00"}]}, "is no time such as 09:00"),
        ({"sessions": [{**PATTERN["sessions"][0], "capacity": 0}]}, "The pattern cannot be read"),
        ({"sessions": PATTERN["sessions"][:1] * 2}, "one place twice at the same weekday"),
        (
            {"closed": [{"on": "2026-04-03", "until_on": "2026-04-02", "because": "other"}]},
            "end before they begin",
        ),
        (
            {"closed": [{"on": "2026-04-03", "because": "other", "place": "Room 9"}]},
            "No session of the pattern is at 'Room 9'",
        ),
        ({"closed": [{"on": "2026-04-03", "because": "rain"}]}, "The pattern cannot be read"),
        ({"colour": "red"}, "unknown field `colour`"),
    ],
)
def test_a_pattern_that_is_wrong_is_refused_in_one_sentence(changed, sentence):
    said = refuse(**changed)

    assert sentence in said
    assert said.endswith(".")


def test_a_season_of_400_days_is_the_longest():
    assert lay_out(until_on="2027-04-26")


@given(
    start=st.dates(date(2024, 1, 1), date(2030, 12, 31)),
    length=st.integers(0, 120),
    weekday=st.sampled_from(WEEKDAYS),
)
def test_every_such_weekday_of_a_season_has_its_session_and_no_other_day(start, length, weekday):
    """Planted bug that this caught: the last day of a season left out."""
    end = start + timedelta(days=length)
    weekly = [{**PATTERN["sessions"][0], "weekday": weekday}]
    season = lay_out(sessions=weekly, from_on=start.isoformat(), until_on=end.isoformat())

    number = WEEKDAYS.index(weekday)
    wanted = [
        (start + timedelta(days=day)).isoformat()
        for day in range(length + 1)
        if (start + timedelta(days=day)).weekday() == number
    ]
    assert [one.on for one in season] == wanted


def test_the_same_session_has_the_same_record():
    assert session_record("Room", "2026-04-01", "09:00") == session_record(
        "Room", "2026-04-01", "09:00"
    )
    assert len({one.record for one in lay_out()}) == 6
