"""Measures of follow-up against a count of its own kind, on random databases (FU-16).

Planted bugs that this caught: lost counted from the day of 6 months itself, a no-show told by two
desks counted twice, a visit seen elsewhere counted as an appointment kept, 0 % for a place with
nothing to count.
"""

import datetime
import random
from fractions import Fraction

import pytest

from api.clinical_rules.clinic_facts import Outcome, Slot, VisitFacts, Window
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.follow_up_measures import MeasureRow, count_measures
from api.storage.unit_store import open_unit_store
from api.use_cases.read_clinic import read_clinic
from tests.unit.api.random_clinics import TODAY, day, invent_clinic, taken_back, write_clinic

ROWS = (
    MeasureRow(measure="seen_within_window", definition="."),
    MeasureRow(measure="median_days_late", definition="."),
    MeasureRow(measure="lost", months=6, definition="."),
    MeasureRow(measure="no_show_share", definition="."),
    MeasureRow(measure="tries_per_booked_visit", definition="."),
)
ON = TODAY.isoformat()
YEAR = {"from_on": day(-365), "until_on": ON, "on": ON}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = open_unit_store(tmp_path_factory.mktemp("unit"), new_generation="generation-1")
    yield opened
    opened.close()


# What follows reads the dictionaries alone.


def _tell(clinic, visit):
    """Return what became of a visit, as a person would read it off the story."""
    sessions = {one["name"]: one for one in clinic["sessions"]}
    home = next(one["home"] for one in clinic["patients"] if one["name"] == visit["patient"])
    told = {"status": "to-book", "why": "", "held": None, "missed": set(), "kept": None}
    told |= {"seen": None, "window": visit["window"], "tries": visit["tries"]}
    for act, *more in visit["acts"]:
        if act == "book":
            told["status"], told["held"] = "booked", sessions[more[0]]
        elif act == "elsewhere":
            told["status"], told["seen"] = "attended", more[0]
        elif act == "ended":
            told["status"], told["why"] = "ended", more[0]
        else:
            told["status"] = act
        if act == "no-show":
            held = told["held"]
            # With no booking the day is that of the writing: noon of the standing unit.
            told["missed"].add((held["day"], held["place"]) if held else (NOON_DAY, ""))
        if act == "attended":
            held = told["held"]
            told["seen"] = held["day"] if held else NOON_DAY
            told["kept"] = (held["day"], held["place"]) if held else None
    told["place"] = told["held"]["place"] if told["held"] else home
    return told


NOON_DAY = (datetime.date(2026, 9, 21) - TODAY).days


def _months_later(number, months):
    start = TODAY + datetime.timedelta(days=number)
    month = start.month - 1 + months
    year, month = start.year + month // 12, month % 12 + 1
    for last in (start.day, 30, 29, 28):
        try:
            return (datetime.date(year, month, last) - TODAY).days
        except ValueError:
            continue
    raise AssertionError("no such month")


def _by_hand(clinic, first, last, place):
    told = [_tell(clinic, visit) for visit in clinic["visits"]]
    here = [one for one in told if place is None or one["place"] == place]
    counted = [
        one
        for one in here
        if not (
            one["status"] == "ended"
            and one["why"] in ("died", "transferred", "not-needed", "case-retracted")
        )
    ]

    def within(number):
        return number is not None and first <= number <= last

    of = seen = blind = 0
    for one in counted:
        if "latest" not in one["window"] or "earliest" not in one["window"]:
            blind += within(one["seen"])
        elif within(one["window"]["latest"]) and (
            one["window"]["latest"] < 0 or one["seen"] is not None
        ):
            of += 1
            seen += one["seen"] is not None and (
                one["window"]["earliest"] <= one["seen"] <= one["window"]["latest"]
            )
    found = {"seen_within_window": (seen, of, _per_cent(seen, of), blind)}

    visited = [one for one in here if within(one["seen"])]
    late = sorted(
        max(0, one["seen"] - one["window"]["target"])
        for one in visited
        if "target" in one["window"]
    )
    middle = None
    if late:
        half = len(late) // 2
        pair = (late[half], late[half]) if len(late) % 2 else (late[half - 1], late[half])
        middle = f"{Fraction(sum(pair), 2).__float__():.1f}"
    found["median_days_late"] = (len(late), len(late), middle, len(visited) - len(late))

    still_open = [one for one in counted if one["status"] not in ("attended", "ended")]
    dated = [one for one in counted if within(one["window"].get("latest"))]
    lost = [
        one for one in dated if one in still_open and _months_later(one["window"]["latest"], 6) < 0
    ]
    undated = sum("latest" not in one["window"] for one in still_open)
    found["lost"] = (len(lost), len(dated), _per_cent(len(lost), len(dated)), undated)

    missed = [
        pair
        for one in told
        for pair in one["missed"]
        if within(pair[0]) and (place is None or pair[1] == place)
    ]
    kept = [
        one["kept"]
        for one in told
        if one["kept"] and within(one["kept"][0]) and (place is None or one["kept"][1] == place)
    ]
    waiting = sum(
        one["status"] == "booked" and within(one["held"]["day"]) and one["held"]["day"] < 0
        for one in here
    )
    answered = len(missed) + len(kept)
    found["no_show_share"] = (len(missed), answered, _per_cent(len(missed), answered), waiting)

    booked = [one for one in here if one["held"] and within(one["held"]["day"])]
    tries = sum(one["tries"] for one in booked)
    each = None if not booked else _round(Fraction(tries, len(booked)), 2)
    found["tries_per_booked_visit"] = (tries, len(booked), each, 0)
    return found


def _per_cent(count, of):
    return None if of == 0 else _round(Fraction(100 * count, of), 1)


def _round(number, digits):
    scaled = number * 10**digits + Fraction(1, 2)
    return f"{(scaled.numerator // scaled.denominator) / 10**digits:.{digits}f}"


@pytest.mark.parametrize("seed", range(10))
def test_the_measures_are_those_counted_by_hand_on_random_databases(store, seed):
    """[FM1] [FM2] [FM3] [FM4] [FM5] [FM6] [FM7] [FM8] [FM9] [FU-16] 30 clinics a seed."""
    chance = random.Random(seed)
    for _ in range(30):
        clinic = invent_clinic(chance)
        first = chance.choice([-365, -200, -30])
        last = chance.choice([0, -1, 60])
        with taken_back(store):
            write_clinic(store, clinic)
            visits = read_clinic(store, time_zone="Europe/London").visits
        assert len(visits) == len(clinic["visits"])

        measures = count_measures(visits, ROWS, from_on=day(first), until_on=day(last), on=ON)

        for place in {one.place for one in measures}:
            wanted = _by_hand(clinic, first, last, place)
            assert {
                one.measure: (one.count, one.of, one.figure, one.missing)
                for one in measures
                if one.place == place
            } == wanted


def test_counts_of_the_places_add_up_to_the_unit(store):
    """[FM1]"""
    chance = random.Random(99)
    with taken_back(store):
        write_clinic(store, invent_clinic(chance, visits=60))
        visits = read_clinic(store, time_zone="Europe/London").visits

    measures = count_measures(visits, ROWS, **YEAR)

    for row in ROWS:
        some = [one for one in measures if one.measure == row.measure]
        whole, places = some[0], some[1:]
        assert whole.place is None
        assert whole.of == sum(one.of for one in places) > 0
        assert whole.count == sum(one.count for one in places)
        assert whole.missing == sum(one.missing for one in places)


def _visit(**facts):
    return VisitFacts(record="visit/v", patient="patient/p", **facts)


def _figure(measure, *visits, rows=ROWS, **period):
    found = count_measures(visits, rows, **{**YEAR, **period})
    return next(one for one in found if one.measure == measure and one.place is None)


WINDOW = Window("2026-02-01", "2026-02-10", "2026-02-20")


@pytest.mark.parametrize(
    ("seen_on", "count"),
    [
        ("2026-01-31", 0),
        ("2026-02-01", 1),
        ("2026-02-02", 1),
        ("2026-02-19", 1),
        ("2026-02-20", 1),
        ("2026-02-21", 0),
    ],
)
def test_both_ends_belong_to_the_window(seen_on, count):
    """[FM2]"""
    found = _figure("seen_within_window", _visit(status="attended", seen_on=seen_on, window=WINDOW))

    assert (found.count, found.of) == (count, 1)


@pytest.mark.parametrize(("on", "lost"), [("2026-08-19", 0), ("2026-08-20", 0), ("2026-08-21", 1)])
def test_a_visit_is_lost_once_six_months_have_passed_and_not_on_the_day(on, lost):
    """[FM4]"""
    found = _figure("lost", _visit(status="no-show", window=WINDOW), on=on)

    assert (found.count, found.of) == (lost, 1)


def test_nothing_to_count_gives_no_figure():
    """[FM8] A place without a visit has not kept 0 % of them."""
    assert [one.figure for one in count_measures((), ROWS, **YEAR)] == [None] * len(ROWS)


def test_what_has_no_answer_after_its_day_is_missing():
    """[FM7]"""
    slot = Slot("2026-03-01", "09:00", "Room 4", "", "Europe/London")
    found = _figure("no_show_share", _visit(status="booked", slot=slot, slots=(slot,)))

    assert (found.count, found.of, found.figure, found.missing) == (0, 0, None, 1)


@pytest.mark.parametrize(
    ("missed", "kept", "figure"), [(1, 2, "33.3"), (2, 1, "66.7"), (1, 7, "12.5"), (1, 15, "6.3")]
)
def test_a_half_is_rounded_up(missed, kept, figure):
    """[FM8] 1 of 16 is 6.25 %."""
    outcomes = [Outcome("2026-03-01", "", "no-show")] * missed
    outcomes += [Outcome("2026-03-01", "", "attended")] * kept

    assert _figure("no_show_share", _visit(outcomes=tuple(outcomes))).figure == figure


@pytest.mark.parametrize(
    ("why", "of"), [("died", 0), ("transferred", 0), ("not-needed", 0), ("declined", 1)]
)
def test_who_died_or_moved_away_was_not_missed_and_who_declined_was(why, of):
    """[FM9]"""
    gone = _visit(status="ended", ended_because=why, window=WINDOW)

    assert _figure("seen_within_window", gone).of == of
    assert _figure("lost", gone).of == of


def test_a_file_that_defines_a_measure_twice_is_refused():
    with pytest.raises(RuleFileError, match="twice"):
        count_measures((), (*ROWS, ROWS[0]), **YEAR)


def test_the_measures_come_over_http_with_their_definitions(unit, a):
    """[FU-16] A desk may ask as well: counts are no finding."""
    desk = unit.join("desk-b", "booking")
    for headers in (a, desk):
        answer = unit.client.get("/api/follow-up-measures", headers=headers)
        assert answer.status_code == 200, answer.text
        found = answer.json()
        assert found["rule_file"] == "follow_up/measures v1"
        assert {one["measure"] for one in found["definitions"]} == {row.measure for row in ROWS}
        assert all(one["basis"] == "unit-setting" for one in found["definitions"])
        assert (found["from_on"], found["until_on"]) == ("2025-03-16", "2026-03-16")

    assert unit.client.get("/api/follow-up-measures").status_code == 401
    turned = {"from_on": "2026-03-02", "until_on": "2026-03-01"}
    assert unit.client.get("/api/follow-up-measures", params=turned, headers=a).status_code == 422
