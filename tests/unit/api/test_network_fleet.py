"""What units tell of themselves: the fleet, and the quality of their data.

Planted bugs that this caught: units in the order of their names, the silence of a device not
growing while its unit is silent, the earlier report of a day kept, a count of four told.
"""

import json
import re
from pathlib import Path

import msgspec
import pytest

from api.clinical_rules.civil_date import add_days
from api.routes.hub_line_watch import LOOK_EVERY_SECONDS
from api.use_cases import report_quality
from api.use_cases.errors import CalculationError
from api.use_cases.list_devices import HOUR_MS
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.publish_to_hub import EVERY_MS
from api.use_cases.read_fleet import read_fleet
from api.use_cases.read_network_quality import UNITS_AT_ONCE, QualityAsk, read_network_quality
from api.use_cases.report_quality import count_quality
from api.use_cases.search_access import AccessSearch, search_access
from api.use_cases.standing_report import (
    StandingDevice,
    StandingReport,
    keep_standing,
    make_standing_report,
)
from sync.exchange import PROTOCOL_VERSION
from tests.unit.api.clinic_story import Story
from tests.unit.api.network_hub import FEN, LOW, NAMES, TARN
from tests.unit.api.quality_records import TODAY, tell_case, tell_clean_unit
from tests.unit.api.standing_unit import NOON_MS

MINUTE_MS = 60_000
ROOT = Path(__file__).parents[3]


def _seen(hub, unit, at_ms):
    with hub.store.transaction():
        hub.store.devices.note_seen(unit, seen_ms=at_ms, clock_offset_ms=-70)


def _report(at_ms=NOON_MS, **more):
    told = {"build": "1.0+a", **more}
    return StandingReport(at_ms=at_ms, protocol="rows", catalogue=8, **told)


def _device(silent_ms, at_ms=NOON_MS):
    return StandingDevice(
        device=f"{silent_ms:016x}",
        role="bedside",
        joined_ms=0,
        last_contact_ms=at_ms - silent_ms,
        clock_offset_ms=0,
    )


def _keep(hub, unit, report, *, now_ms=NOON_MS, today=TODAY):
    keep_standing(hub.store, unit, report, now_ms=now_ms, today=today)


def test_a_unit_tells_its_standing_without_a_name_or_a_record(own):
    """[DM-01] [SEC-24] [DQ4] What leaves is counts, builds and pseudonyms; of two cases no month.

    The planted bug it has caught: the true month of each case with each of its fields, so that the
    hub knew by how much its days were moved.
    """
    story = Story(own, device="tablet-a", now_ms=NOON_MS)
    tell_clean_unit(story)
    with own.transaction():
        story.write("patient/a", identity="to-be-confirmed")
        own.devices.keep("tablet-a", "Tablet of Room 4", "bedside", "t", joined_ms=NOON_MS)

    report = make_standing_report(own, build="1.0+a", now_ms=NOON_MS, today=TODAY, unsent=7)
    text = json.dumps(_plain(report))

    assert (report.cases, report.unsent, report.quality) == (2, 7, {"identity-unconfirmed": 1})
    assert report.rule_files["sizing/limits"] == 2
    assert report.completeness == ()
    assert len(report.devices) == 1
    for word in ("Greyfen", "TH-a", "tablet-a", "Room 4", "case/", "patient/", "1960-02-29"):
        assert word not in text


def test_counts_are_made_anew_after_an_hour_and_only_where_something_was_written(own, monkeypatch):
    """[DM-04] [DQ4] Once an hour: unit setting (project default). A new day counts at once."""
    made = []
    monkeypatch.setattr(
        report_quality,
        "count_quality",
        lambda *words, **more: made.append(1) or count_quality(*words, **more),
    )
    story = Story(own, device="tablet-a", now_ms=NOON_MS)
    tell_clean_unit(story)

    def told(now_ms, today=TODAY):
        before = len(made)
        report = make_standing_report(own, build="b", now_ms=now_ms, today=today)
        return report.quality.get("identity-unconfirmed", 0), len(made) - before

    assert told(NOON_MS) == (0, 1)
    assert told(NOON_MS + 5 * HOUR_MS) == (0, 0)
    with own.transaction():
        story.write("patient/a", identity="to-be-confirmed")
    assert told(NOON_MS + HOUR_MS - 1) == (0, 0)
    assert told(NOON_MS + HOUR_MS) == (1, 1)
    assert told(NOON_MS + HOUR_MS + 1) == (1, 0)
    assert told(NOON_MS + HOUR_MS + 1, "2026-09-22") == (1, 1)


def test_cases_and_fields_are_told_as_they_were_at_the_first_count_of_a_month(own):
    """[DQ4] [RG17] The planted bug it has caught: a count that grew on the day of a treatment told
    the day, whatever the delay with which the case was told.
    """
    story = Story(own, device="tablet-a", now_ms=NOON_MS)

    def treat(*numbers):
        for number in numbers:
            with own.transaction():
                tell_case(
                    story, f"{number}", name=f"N {number}", born_on="1960-01-01", on="2026-09-02"
                )

    def told(today, hours):
        report = make_standing_report(own, build="b", now_ms=NOON_MS + hours * HOUR_MS, today=today)
        of = {one.of for one in report.completeness if one.field == "cause"}
        return report.cases, of

    treat(*range(6))
    assert told("2026-09-21", 0) == (6, {6})
    treat(6)
    assert told("2026-09-22", 24) == (6, {6})
    assert told("2026-09-30", 9 * 24) == (6, {6})
    assert told("2026-10-01", 10 * 24) == (7, {7})


def test_a_report_noted_by_a_clock_that_ran_ahead_stands_no_longer_than_the_next(hub):
    """[DM-01] [HAZ-35] A month ahead for an hour. The planted bug it has caught: the latest by its
    moment alone, so that ten days and ten reports later the old build stood, with nothing unsent.
    """
    day = 24 * HOUR_MS
    _keep(hub, TARN, _report(build="old", unsent=0), now_ms=NOON_MS + 30 * day, today="2026-10-21")
    for place in range(10):
        report = _report(build="new", unsent=500 + place)
        _keep(hub, TARN, report, now_ms=NOON_MS + place * day, today=f"2026-09-{21 + place}")

    for days in (10, 31):
        fleet = read_fleet(hub.store, now_ms=NOON_MS + days * day)
        (tarn,) = (one for one in fleet.units if one.unit == TARN)
        assert (tarn.build, tarn.unsent) == ("new", 509)
        assert tarn.row_age_ms == (days - 9) * day
    # A clock that ran behind takes no report away either.
    _keep(hub, TARN, _report(build="newest"), now_ms=NOON_MS - 30 * day, today="2026-08-22")
    with hub.store.transaction():
        assert [one.on_day for one in hub.store.standings.latest()] == ["2026-08-22"]
        assert len(hub.store.standings.weekly_counts("2026-08-17", "2026-10-25", TARN)) == 4


def _plain(report):
    return msgspec.to_builtins(report)


@pytest.mark.parametrize(
    ("hours", "silence"),
    [(23.99, "none"), (24, "silent"), (71.99, "silent"), (72, "escalated")],
)
def test_a_unit_that_is_silent_is_told(hub, hours, silence):
    """[HAZ-35] [DM-01] 24 h and 72 h: unit setting (project default)."""
    _seen(hub, TARN, NOON_MS)

    fleet = read_fleet(hub.store, now_ms=NOON_MS + round(hours * HOUR_MS))

    assert {one.unit: one.silence for one in fleet.units}[TARN] == silence


def test_the_longest_silence_stands_first_be_it_a_unit_or_a_device(hub):
    """[HAZ-35] [DM-01]"""
    now_ms = NOON_MS + 100 * HOUR_MS
    for unit, hours in ((TARN, 2), (FEN, 60), (LOW, 1)):
        _seen(hub, unit, now_ms - hours * HOUR_MS)
    _keep(hub, TARN, _report(now_ms, devices=(_device(5 * MINUTE_MS, now_ms),)), now_ms=now_ms)
    drawer = (_device(MINUTE_MS, now_ms), _device(50 * HOUR_MS, now_ms))
    _keep(hub, LOW, _report(now_ms, devices=drawer), now_ms=now_ms)

    fleet = read_fleet(hub.store, now_ms=now_ms)

    assert [one.unit for one in fleet.units] == [FEN, LOW, TARN]
    assert [one.silence for one in fleet.units[1].devices] == ["silent", "none"]
    assert fleet.units[1].name == NAMES[LOW]
    assert fleet.units[0].devices == []
    assert fleet.units[2].clock_offset_ms == -70


def test_what_has_passed_since_a_report_counts_as_silence(hub):
    """[HAZ-35] [DM-01] A device 23 h silent, told 61 minutes ago by a unit that is silent since."""
    _seen(hub, TARN, NOON_MS)
    # The unit's clock is two hours behind: only what lies between its own times counts.
    at_ms = NOON_MS - 2 * HOUR_MS
    _keep(hub, TARN, _report(at_ms, devices=(_device(23 * HOUR_MS, at_ms),)))

    [now, later] = [
        next(one for one in read_fleet(hub.store, now_ms=at).units if one.unit == TARN)
        for at in (NOON_MS, NOON_MS + 61 * MINUTE_MS)
    ]

    assert (now.devices[0].silence, later.devices[0].silence) == ("none", "silent")
    assert (now.row_age_ms, later.row_age_ms) == (0, 61 * MINUTE_MS)
    assert (later.build, later.catalogue, later.unsent) == ("1.0+a", 8, 0)


def test_what_a_device_told_its_unit_is_in_the_fleet_and_what_it_did_not_stays_unknown(hub):
    """[DM-01] [EX24] A unit of an older release told none of it: its report is read as one that
    says so.

    Planted and caught: unsent work that nobody told passed on as 0. Caught: the protocol of a
    device was told to no hub.
    """
    told = msgspec.structs.replace(
        _device(MINUTE_MS), build="0123456789ab", protocol=2, unsent=3, storage="may-be-cleared"
    )
    _keep(hub, TARN, msgspec.structs.replace(_report(devices=(told,)), protocol="2"))
    older = _plain(_report(devices=(_device(MINUTE_MS),)))
    for name in ("build", "protocol", "unsent", "storage"):
        del older["devices"][0][name]
    _keep(hub, FEN, msgspec.convert(older, StandingReport))

    told = read_fleet(hub.store, now_ms=NOON_MS)
    fleet = {one.unit: one.devices for one in told.units}

    [(one,), (other,)] = fleet[TARN], fleet[FEN]
    assert {one.unit: one.protocol for one in told.units} == {TARN: "2", FEN: "", LOW: ""}
    assert (one.build, one.protocol, one.unsent) == ("0123456789ab", 2, 3)
    assert one.storage == "may-be-cleared"
    assert (other.build, other.protocol, other.unsent) == ("", None, None)
    assert other.storage == "unknown"
    # What this hub speaks, for the desk to hold both against.
    assert told.protocol == str(PROTOCOL_VERSION)


def test_the_last_report_of_a_day_stands_and_each_day_has_its_own(hub):
    """[DM-04] [DM-03] Counts over time; one below five is held back."""
    for on, minute, counts in (
        ("2026-09-20", 0, {"lot-missing": 9}),
        ("2026-09-21", 1, {"lot-missing": 8}),
        ("2026-09-21", 3, {"lot-missing": 7}),
        # The hub's clock was put back by a minute: what came last stands all the same.
        ("2026-09-21", 2, {"lot-missing": 5, "not-signed": 4, "size-missing": 0}),
    ):
        now_ms = NOON_MS + minute * MINUTE_MS
        _keep(hub, TARN, _report(quality=counts), now_ms=now_ms, today=on)
    _keep(hub, FEN, _report(quality={"lot-missing": 6}))

    found = _of(hub)

    assert [(one.unit, one.counts) for one in found.units] == [
        (FEN, {"lot-missing": 6}),
        (TARN, {"lot-missing": 5, "not-signed": None}),
    ]
    assert [(one.on, one.units, one.counts, one.at_least) for one in found.over_time] == [
        ("2026-09-20", 1, {"lot-missing": 9}, []),
        ("2026-09-21", 2, {"lot-missing": 11, "not-signed": 1}, ["not-signed"]),
    ]
    totals = {one.rule: (one.found, one.is_least, one.units) for one in found.totals}
    assert totals["lot-missing"] == (11, False, 2)
    assert totals["not-signed"] == (1, True, 1)
    assert totals["size-missing"] == (0, False, 0)
    assert [one.unit for one in _of(hub, FEN).units] == [FEN]
    assert [one.counts for one in _of(hub, FEN).over_time] == [{"lot-missing": 6}]
    assert {one.rule for one in found.rules} >= {"lot-missing", "not-signed"}


def test_one_point_a_week_is_shown_of_what_a_unit_told_each_day(hub):
    """[DM-04] 2026-09-21 is a Monday. Caught: each day of a year, and the first day of a week."""
    for days in reversed(range(40)):
        on = add_days(TODAY, -days)
        counts = {"lot-missing": 5 + days}
        _keep(hub, TARN, _report(quality=counts), now_ms=NOON_MS - days * 86_400_000, today=on)

    found = _of(hub)
    # Caught: each day of each unit was kept, 35 GB a year of a thousand.
    counting = hub.store._database.connection.execute("SELECT count(*) FROM standing_report")
    assert counting.fetchone()[0] == len(found.over_time)

    assert [(one.on, one.counts["lot-missing"]) for one in found.over_time] == [
        ("2026-08-16", 41),
        ("2026-08-23", 34),
        ("2026-08-30", 27),
        ("2026-09-06", 20),
        ("2026-09-13", 13),
        ("2026-09-20", 6),
        ("2026-09-21", 5),
    ]


def test_counts_of_rules_that_nobody_knows_are_not_kept(hub):
    """[DM-03] Caught: sixty thousand names of a unit's own making in every answer for a year."""
    _keep(hub, TARN, _report(quality={"lot-missing": 6, "made-up": 900}))
    assert [one.counts for one in _of(hub, TARN).units] == [{"lot-missing": 6}]

    many = {**_plain(_report()), "quality": {f"rule-{number}": 9 for number in range(1_001)}}
    with pytest.raises(msgspec.ValidationError, match="length <= 1000"):
        msgspec.convert(many, StandingReport)


def test_the_cases_of_a_small_unit_are_told_nowhere(hub):
    """[HAZ-49] Caught: 2 cases in the fleet; FEN alone hidden, which the sum would give away."""
    for unit, cases in ((FEN, 2), (TARN, 30), (LOW, 40)):
        _keep(hub, unit, _report(cases=cases))

    told = {FEN: None, TARN: None, LOW: 40}
    fleet = read_fleet(hub.store, now_ms=NOON_MS)
    assert {one.unit: one.cases for one in fleet.units} == told
    assert {one.unit: one.cases for one in _of(hub, "").units} == told
    # Also where one alone is asked for.
    assert [one.cases for one in _of(hub, TARN).units] == [None]


def _of(hub, unit="", **more):
    ask = QualityAsk(unit=unit, **more)
    return read_network_quality(hub.store, ask, now_ms=NOON_MS, today=TODAY)


def test_units_come_by_pages_and_how_full_fields_are_is_told_of_one(hub):
    """[DM-03] [DM-04] Caught: each field of each month of all units, 12 MB for a hundred."""
    lines = [
        {"month": f"2026-{month:02d}", "field": field, "filled": 30, "disagreed": 0, "of": 60}
        for month in range(1, 10)
        for field in ("cause", "sex", "shunt", "urgency")
    ]
    held = {**_plain(_report(cases=540)), "completeness": lines}
    for number in range(2 * UNITS_AT_ONCE + 3):
        unit = f"unit-{number:03d}"
        with hub.store.transaction():
            name = f"Ward {number:03d}"
            hub.store.devices.keep(unit, name, "unit", f"token-{number}", joined_ms=NOON_MS)
        counts = {"lot-missing": 7, **({"not-signed": 5} if number % 40 == 0 else {})}
        _keep(hub, unit, msgspec.convert({**held, "quality": counts}, StandingReport))

    first = _of(hub)
    assert (len(first.units), first.more, len(first.names)) == (UNITS_AT_ONCE, True, 103)
    assert (first.completeness, first.by_month) == ([], [])
    assert len(msgspec.json.encode(first)) < 40_000
    second = _of(hub, after=first.units[-1].unit)
    third = _of(hub, after=second.units[-1].unit)
    assert [second.more, third.more, len(third.units)] == [True, False, 3]
    assert (second.names, second.over_time) == ([], [])
    paged = [one.name for part in (first, second, third) for one in part.units]
    assert paged == [one.name for one in first.names] == sorted(paged)
    found = _of(hub, rule="not-signed")
    assert [one.unit for one in found.units] == ["unit-000", "unit-040", "unit-080"]
    assert [one.unit for one in _of(hub, rule="not-signed", after="unit-040").units] == ["unit-080"]
    one = _of(hub, "unit-040")
    assert [(line.field, line.filled) for line in one.completeness] == [
        (field, 270) for field in ("cause", "sex", "shunt", "urgency")
    ]
    assert len(one.by_month) == len(lines)
    for wrong in ({"rule": "made-up"}, {"after": "unit-999"}):
        with pytest.raises(CalculationError, match=r"There is no such rule|not there any more"):
            _of(hub, **wrong)


def test_completeness_adds_up_by_unit_and_no_small_month_follows_from_the_sum(hub):
    """[DM-04] [HAZ-49] [DQ4] By hand: 3 of 4, 2 of 5, 12 of 20 and 30 of 60 are 47 of 89.

    The months of four and five are held back, and the one of twenty with them: 42 without an answer
    less 30 and 8 would leave four for the two. Caught: that month was told.
    """
    line = {"field": "cause", "disagreed": 0}
    lines = [
        {"month": "2026-07", "filled": 3, "of": 4, **line},
        {"month": "2026-08", "filled": 2, "of": 5, **line},
        {"month": "2026-09", "filled": 12, "of": 20, **line},
        {"month": "2026-10", "filled": 30, "of": 60, **line},
        {"month": "2026-08", "filled": 4, "of": 4, **line, "field": "sex"},
    ]
    report = msgspec.convert({**_plain(_report()), "completeness": lines}, StandingReport)
    _keep(hub, TARN, report)

    found = _of(hub, TARN)

    assert [(one.field, one.filled, one.of) for one in found.completeness] == [
        ("cause", 47, 89),
        ("sex", None, None),
    ]
    assert [(one.month, one.field, one.filled, one.of) for one in found.by_month] == [
        ("2026-07", "cause", None, None),
        ("2026-08", "cause", None, None),
        ("2026-09", "cause", None, None),
        ("2026-10", "cause", 30, 60),
        ("2026-08", "sex", None, None),
    ]


def test_a_count_that_is_held_back_is_printed_in_no_other_list(hub):
    """[HAZ-49] [DQ4] Caught: a rule said "fewer than 5" of what "41 of 42" told beside it; and a
    unit whose cases were held back had them told as those of whom a field is asked.
    """
    lines = [
        {"month": "2026-07", "field": "cause", "filled": 41, "disagreed": 0, "of": 42},
        {"month": "2026-07", "field": "sex", "filled": 42, "disagreed": 0, "of": 42},
        {"month": "2026-07", "field": "urgency", "filled": 30, "disagreed": 2, "of": 42},
        {"month": "2026-07", "field": "shunt", "filled": 30, "disagreed": 0, "of": 42},
    ]
    report = {**_plain(_report(cases=42)), "completeness": lines}
    for unit, held in ((TARN, report), (LOW, {**report, "cases": 60})):
        _keep(hub, unit, msgspec.convert(held, StandingReport))

    told = [(one.field, one.filled, one.of) for one in _of(hub, TARN).completeness]
    assert told == [
        ("cause", None, None),
        ("sex", 42, 42),
        ("urgency", None, None),
        ("shunt", 30, 42),
    ]

    _keep(hub, FEN, _report(cases=2))
    found = _of(hub, TARN)
    assert [one.cases for one in found.units] == [None]
    assert {one.of for one in (*found.completeness, *found.by_month)} == {None}


def test_a_report_that_this_release_cannot_read_hides_no_unit(hub):
    """[DM-01]"""
    _keep(hub, TARN, _report())
    with hub.store.transaction():
        [kept] = hub.store.standings.latest()
        hub.store.standings.keep(type(kept)(TARN, kept.on_day, kept.noted_ms, '{"at_ms":"x"}'))

    tarn = next(one for one in read_fleet(hub.store, now_ms=NOON_MS).units if one.unit == TARN)

    assert (tarn.reported_ms, tarn.build, tarn.devices) == (None, "", [])
    assert _of(hub, "").units == []


def test_who_looked_names_the_unit_that_asked_the_hub(hub):
    """[DM-12] Caught: at the hub a unit stood in the trail by its id alone."""
    with hub.store.transaction():
        for who in (TARN, "staff/nobody", "tablet-gone"):
            asked = {"asker": "device", "role": "unit", "verb": "read", "object": "stream"}
            note_access(hub.store, AccessEvent(at_ms=NOON_MS, who=who, **asked))

    found = search_access(hub.store, AccessSearch(), zone="UTC")

    assert found.names == {TARN: "Tarn Hollow"}


def test_a_report_is_never_older_than_what_the_desk_calls_old_while_all_is_well():
    """[DM-01] Caught: a unit told every five minutes, when somebody looked, each twenty seconds.

    For up to so long of every cycle its row said "older than five minutes".
    """
    desk = (ROOT / "pwa/src/state/network-units.ts").read_text(encoding="utf-8")
    (minutes,) = re.findall(r"OLDEST_ROW_MS = (\d+) \* 60_000", desk)
    a_round_ms = 30_000

    assert EVERY_MS + LOOK_EVERY_SECONDS * 1_000 + a_round_ms < int(minutes) * 60_000
