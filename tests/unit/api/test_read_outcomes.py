"""Outcomes of a network are what a script of its own reckons from the same records (DM-09).

Planted bugs that this caught: a bleed without a day told as none, death not ending an earlier
case, a part of another unit counted, a look on the day of the treatment counted, the mean of all
taken for the risk of each, windows counted as cases, the rows of a case left as they were when a
look came later.
"""

import random
import sqlite3
from bisect import bisect_right
from collections import Counter
from contextlib import closing

import pytest

from api.outcomes.definitions import packaged_definitions
from api.outcomes.episode_rows import EpisodeRow
from api.registry.round_counts import round_count
from api.registry.whole_quarters import last_of_quarter
from api.storage.connection import FILE_NAME
from api.storage.outcome_rows import Choice
from api.storage.unit_store import open_unit_store
from api.use_cases.errors import CalculationError
from api.use_cases.outcome_reading import OutcomeReading
from api.use_cases.read_outcomes import OutcomeAsk, read_choice, read_outcomes
from api.use_cases.server_role import settle_role
from tests.unit.api import outcome_script as script
from tests.unit.api.random_registry import Writers, invent_registry

CASES = 3_000
WINDOWED = set(script.JUDGES) - {"technical_success", "flow_gone_at_end", "obliteration"}


@pytest.fixture(scope="module")
def network(tmp_path_factory):
    """A hub with several thousand cases of three units, and the same as dictionaries."""
    store = open_unit_store(tmp_path_factory.mktemp("hub"), new_generation="generation-1")
    settle_role(store, as_hub=True)
    records = invent_registry(random.Random(2026), cases=CASES)
    writers = Writers(store)
    # In parts, and not in order: what belongs together comes apart.
    shuffled = list(records)
    random.Random(3).shuffle(shuffled)
    for start in range(0, len(shuffled), 700):
        writers.write(shuffled[start : start + 700])
    yield store, script.gather(records)
    store.close()


def whole(store, **ask):
    """Return a reading of the hub's rows in which nothing is hidden, for the script."""
    choice = read_choice(OutcomeAsk(**ask))
    with store.reading():
        reading = OutcomeReading(store.outcomes, choice, lambda unit: unit, {}, hides=False)
        return reading.tell([], now_ms=0, on="2027-12-31")


def chosen(cases, **wanted):
    return [
        case for case in cases if all(case["fields"].get(name) == it for name, it in wanted.items())
    ]


@pytest.mark.parametrize("outcome", script.JUDGES)
def test_counts_and_intervals_are_those_of_the_script(network, outcome):
    """[OC1] [OC2] [OC3] [OC4] [OC5] [OC7] [OC11] [OC12]"""
    store, cases = network
    report = whole(store)
    (told,) = (one for one in report.outcomes if one.outcome == outcome)

    happened, did_not, missing = script.count(cases, outcome)

    assert min(happened, did_not, missing) > 5
    assert (told.happened, told.judged, told.missing) == (happened, happened + did_not, missing)
    assert (told.low, told.high) == pytest.approx(script.wilson(happened, happened + did_not))
    assert len(told.by_unit) == 3
    for one in told.by_unit:
        own = [case for case in cases if case["unit"] == one.unit]
        yes, no, unknown = script.count(own, outcome)
        assert (one.happened, one.judged, one.missing) == (yes, yes + no, unknown)
        assert one.not_due == script.not_due(own, outcome)
        assert one.judged + one.missing + one.not_due == len(own)
    assert told.not_due == script.not_due(cases, outcome)
    assert (told.not_due > 50) == (outcome in WINDOWED)


def test_curves_are_those_of_the_script(network):
    """[OC6]"""
    store, cases = network
    report = whole(store)
    bleeds = [script.spell(case, "rebleed") for case in cases]
    deaths = [script.spell(case, "death") for case in cases]

    for curve, spells in zip(report.survival, (bleeds, deaths), strict=True):
        expected = script.kaplan_meier(spells)
        assert [one.day for one in curve.points] == [on for on, _ in expected]
        assert [one.share for one in curve.points] == pytest.approx([one for _, one in expected])
        assert curve.cases == CASES == curve.at_risk[0].cases or len(cases) == curve.cases
        assert curve.missing == sum(one == (0, "") for one in spells) > 0
        for held in curve.at_risk:
            assert held.cases == sum(days >= held.day for days, _ in spells)
        assert all(one.low < one.share < one.high for one in curve.points if one.low is not None)
    for curve in report.competing.causes:
        expected = script.incidence(bleeds, curve.cause)
        assert [one.share for one in curve.points] == pytest.approx([one for _, one in expected])
        assert curve.points[-1].share > 0.05


def test_sources_amounts_and_windows_are_those_of_the_script(network):
    """[OC13] [OC14]"""
    store, cases = network
    report = whole(store)

    sources = Counter(script.first_source(case) for case in cases)
    del sources[None]
    assert {one.source: one.happened for one in report.sources} == sources
    amounts = {one.amount: one for one in report.amounts}
    numbers = {
        "coils": [case["fields"].get("coils_placed") for case in cases],
        "adhesive_ul": [case["fields"].get("adhesive_pure_ul") for case in cases],
    }
    for name, held in numbers.items():
        counted = [one for one in held if one is not None and (one or name == "coils")]
        told = amounts[name]
        assert (told.cases, told.missing) == (len(counted), held.count(None))
        assert (told.low, told.median, told.high) == script.quartiles(counted)
    sessions = script.sessions(cases)
    told = amounts["sessions"]
    patients = {case["fields"]["patient"] for case in cases}
    assert (told.cases, told.missing) == (len(sessions), len(patients) - len(sessions))
    assert (told.low, told.median, told.high) == script.quartiles(sessions)
    assert max(sessions) > 2
    windows = report.outcomes[-1]
    due = [case["fields"].get("windows_due") for case in cases]
    assert windows.outcome == "seen_in_window"
    assert windows.judged == sum(filter(None, due))
    assert windows.happened == sum(case["fields"].get("windows_kept", 0) for case in cases)
    assert windows.missing == sum(not one for one in due)


def test_periods_and_case_mixes_are_those_of_the_script(network):
    store, cases = network
    period = whole(store, from_on="2025-03-01", until_on="2025-12-31", mix="indication:acute-bleed")
    own = [
        case
        for case in chosen(cases, indication="acute-bleed")
        if "2025-03-01" <= case["fields"]["treated_on"] <= "2025-12-31"
    ]
    assert period.cases == len(own) > 100
    for one in period.outcomes[:-1]:
        happened, did_not, missing = script.count(own, one.outcome)
        assert (one.happened, one.judged, one.missing) == (happened, happened + did_not, missing)
    months = Counter(case["fields"]["treated_on"][:7] for case in own)
    assert {one.month: one.cases for one in period.months} == months
    for told in period.months:
        of_month = [case for case in own if case["fields"]["treated_on"][:7] == told.month]
        for outcome in script.JUDGES:
            assert told.happened[outcome] == script.count(of_month, outcome)[0]
    none_told = whole(store, mix="child_class:,sex:female")
    assert none_told.cases == len(
        [
            case
            for case in cases
            if case["fields"].get("child_pugh_points") is None
            and case["person"].get("sex") == "female"
        ]
    )


@pytest.mark.parametrize("outcome", ["early_rebleed", "late_rebleed", "embolism", "death_6_weeks"])
def test_sums_are_those_of_the_script(network, outcome):
    """[OC10] [OC15] In the order of treatment; the risk of each by its own mix."""
    store, cases = network
    report = whole(store, unit="unit-b")
    (told,) = (one for one in report.cusums if one.outcome == outcome)
    own = [case for case in cases if case["unit"] == "unit-b"]

    expected = script.sums(own, cases, outcome, told.limit)

    assert [one.value for one in told.points] == pytest.approx(expected)
    assert told.missing == script.count(own, outcome)[2]
    assert [one.number for one in told.points] == list(range(1, len(expected) + 1))
    assert [one.month for one in told.points] == sorted(one.month for one in told.points)


def test_units_stand_by_name_and_are_not_ranked(network):
    """[OC8] [OC9]"""
    store, cases = network
    choice = Choice()
    names = {"unit-a": "Zell", "unit-b": "arbour", "unit-c": "Mere"}
    with store.reading():
        reading = OutcomeReading(store.outcomes, choice, names.__getitem__, {}, hides=False)
        report = reading.tell([], now_ms=0, on="2027-12-31")

    in_order = ["unit-b", "unit-c", "unit-a"]
    assert [one.unit for one in report.units] == in_order
    assert report.cusums == []
    assert len(report.funnels) == len(script.JUDGES)
    for funnel in report.funnels:
        assert [one.unit for one in funnel.units] == in_order
        assert funnel.limits[0].cases == 1
        assert funnel.limits[-1].cases == max(one.cases for one in funnel.units)
        happened, did_not, _ = script.count(cases, funnel.outcome)
        assert funnel.overall == pytest.approx(happened / (happened + did_not))


def test_a_reading_at_the_hub_hides_small_groups_and_says_so(network):
    """[OC16] The same counts, and of none fewer than five; two questions tell no more than one."""
    store, _ = network
    ask = {"now_ms": 7, "on": "2026-12-01", "time_zone": "UTC"}
    year = {"from_on": "2025-01-01", "until_on": "2025-12-31"}
    narrow = OutcomeAsk(mix="varix_class:GOV1,child_class:C", **year)
    report = read_outcomes(store, narrow, **ask)
    open_report = whole(store, mix=narrow.mix, **year)

    assert "shifted-dates" in report.cautions
    assert "hidden-groups" in report.cautions
    assert "own-rates" not in report.cautions
    hidden = 0
    for one, whole_one in zip(report.outcomes, open_report.outcomes, strict=True):
        for unit, free in zip(one.by_unit, whole_one.by_unit, strict=True):
            small = [
                n for n in (free.happened, free.judged - free.happened, free.missing) if 0 < n < 5
            ]
            hidden += unit.suppressed
            assert unit.suppressed or not small
            assert unit.suppressed or unit.happened == round_count(free.happened)
        # Never one hidden unit alone whose counts the sum would give away.
        if not one.suppressed:
            assert sum(unit.suppressed for unit in one.by_unit) != 1
    assert hidden > 5
    alone = read_outcomes(store, OutcomeAsk(**{**_fields(narrow), "unit": "unit-a"}), **ask)
    for one, of_all in zip(alone.outcomes, report.outcomes, strict=True):
        assert one.by_unit == of_all.by_unit
        (own,) = (unit for unit in of_all.by_unit if unit.unit == "unit-a")
        assert (one.happened, one.judged) == (own.happened, own.judged)
    assert (alone.months, alone.sources) == ([], [])
    # Caught: a sum "in the order of treatment", which was that of moved days.
    assert (alone.cusums, report.cusums) == ([], [])
    assert len(whole(store, unit="unit-a").cusums) > 2
    assert all(one.cases is None and one.missing is None for one in alone.amounts)
    assert all(one.at_risk == [] and one.missing is None for one in alone.survival)
    assert report.months
    assert report.survival[0].at_risk
    for curve in (*report.survival, *report.competing.causes):
        assert len(curve.points) < len(open_report.survival[0].points) / 4
    nobody = read_outcomes(store, OutcomeAsk(from_on="2030-01-01", until_on="2030-12-31"), **ask)
    assert (nobody.cases, nobody.units, nobody.survival, nobody.funnels) == (0, [], [], [])


def test_two_readings_at_a_hub_tell_no_small_group_by_what_they_differ(tmp_path):
    """[OC16] One woman, treated on the last day, to whom everything happened.

    Caught: the counts of all less those of the men, and of a period less those of one a day
    shorter; a period that said it ended on the day asked for.
    """
    store = open_unit_store(tmp_path, new_generation="generation-1")
    settle_role(store, as_hub=True)
    rows = [_row(place, "male", f"2026-03-{place % 27 + 1:02d}", place) for place in range(31)]
    with store.transaction():
        store.outcomes.add([*rows, _row(99, "female", "2026-03-28", 1)])

    def ask(**what):
        return read_outcomes(store, OutcomeAsk(**what), now_ms=0, on="2026-11-01", time_zone="UTC")

    every, men, women = ask(), ask(mix="sex:male"), ask(mix="sex:female")
    assert (every.cases, men.cases, women.cases) == (30, 30, None)
    for one, of_men in zip(every.outcomes, men.outcomes, strict=True):
        for told, other in zip(
            (one.happened, one.judged, one.missing),
            (of_men.happened, of_men.judged, of_men.missing),
            strict=True,
        ):
            if told is not None and other is not None:
                assert (told - other) % 5 == 0
    for curve, of_men in zip(every.survival, men.survival, strict=True):
        assert curve.cases == of_men.cases
        assert all(
            point.share * 6 == pytest.approx(round(point.share * 6)) for point in curve.points
        )
    from_on = "2026-01-01"
    before = ask(from_on=from_on, until_on="2026-03-27")
    assert before == ask(from_on="2026-02-14", until_on="2026-03-28")
    assert (before.from_on, before.until_on) == (from_on, "2026-03-31")
    open_ended = ask(until_on="2026-03-28")
    assert (open_ended.from_on, open_ended.until_on) == ("", "")
    store.close()


# Of one woman in each of few quarters, many in the others.
QUARTERS = ("01", "04", "07", "10")
FEW = {"2024-10-01": 3, "2025-04-01": 2, "2025-07-01": 1, "2025-10-01": 4}


def test_all_periods_that_a_hub_tells_together_tell_no_hidden_group(tmp_path):
    """[OC16] [HAZ-49] Every answer is within two of the truth: bounds by the shortest ways.

    The planted bug it has caught: any run of quarters was counted, and the 300 of six years told
    the hidden quarters exactly (820 of ten years told all forty).
    """
    store = open_unit_store(tmp_path, new_generation="generation-1")
    settle_role(store, as_hub=True)
    chance = random.Random(5)
    quarters = [f"{year}-{month}-01" for year in range(2020, 2026) for month in QUARTERS]
    truth = [FEW.get(one, chance.randint(5, 30)) for one in quarters]
    days = [
        f"{first[:8]}{number % 28 + 1:02d}"
        for first, count in zip(quarters, truth, strict=True)
        for number in range(count)
    ]
    rows = [_row(place, "female", on, place) for place, on in enumerate(days)]
    with store.transaction():
        store.outcomes.add(rows)
    size = len(quarters)
    # How much more lies before one quarter than before another, at most.
    most = [[0 if one == other else 9_999 for other in range(size + 1)] for one in range(size + 1)]
    for place in range(size):
        most[place + 1][place] = 0
    told = set()
    for first in range(size):
        for last in range(first, size):
            ask = OutcomeAsk(
                from_on=quarters[first], until_on=last_of_quarter(quarters[last]), mix="sex:female"
            )
            report = read_outcomes(store, ask, now_ms=0, on="2026-06-01", time_zone="UTC")
            from_on = quarters.index(report.from_on) if report.from_on else 0
            until = bisect_right(quarters, report.until_on) if report.until_on else size
            told.add((from_on, until))
            low, high = (1, 4) if report.cases is None else (report.cases - 2, report.cases + 2)
            most[from_on][until] = min(most[from_on][until], high)
            most[until][from_on] = min(most[until][from_on], -low)
    for way in range(size + 1):
        for one in range(size + 1):
            for other in range(size + 1):
                most[one][other] = min(most[one][other], most[one][way] + most[way][other])

    bounds = [(-most[place + 1][place], most[place][place + 1]) for place in range(size)]
    assert all(
        low <= true <= high and high - low >= 4
        for (low, high), true in zip(bounds, truth, strict=True)
    )
    for place, first in enumerate(quarters):
        if first[:4] in ("2024", "2025"):
            # Anything from none to nearly all that the year has.
            assert bounds[place][0] == 0
            assert bounds[place][1] >= 12
    # All time, six years, and the quarters of the four years in which none is small.
    assert len(told) == 1 + 6 + 4 * 4
    store.close()


def _row(place, sex, treated_on, number):
    """Return a case of one of two units; to every third something happened."""
    definitions = packaged_definitions()
    mark = "1" if number % 3 == 1 else "0"
    told = {
        "record": f"registry_case/c{place}",
        "unit": "unit-a" if place % 2 else "unit-b",
        "patient": f"registry_patient/p{place}",
        "treated_on": treated_on,
        "month": treated_on[:7],
        "sex": sex,
        "verdicts": mark * len(definitions.rows),
        "rebleed_days": 40 + number,
        "rebleed_end": "rebleed" if mark == "1" else "",
        "death_days": 365,
        "coils": 3,
        "adhesive_ul": 1_000,
        "sessions": 1,
        "windows_due": 4,
        "windows_kept": 4,
    }
    return EpisodeRow(**{name: told.get(name, "") for name in EpisodeRow.__struct_fields__})


def _fields(ask):
    return {name: getattr(ask, name) for name in ask.__struct_fields__}


def test_rows_follow_what_is_told_later_and_what_is_taken_back(tmp_path):
    """A look that comes after its case, a death, and an event entered in error."""
    store = open_unit_store(tmp_path, new_generation="generation-1")
    writers = Writers(store)
    case = {"patient": "registry_patient/p1", "treated_on": "2026-01-01", "seen_on": "2026-03-01"}
    case |= {"asked_on": "2026-03-01", "window_days": 365}
    writers.write([("unit-a", "registry_case/c1", case)])

    def row(*columns):
        with store.reading():
            return store.outcomes.in_order(Choice(), *columns)

    assert row("verdicts", "sex") == [("---0----000", "")]
    look = {"case": "registry_case/c1", "looked_on": "2026-02-01", "flow": "no"}
    writers.write([("unit-a", "registry_look/l1", look)])
    assert row("verdicts", "sessions") == [("--10----000", 1)]
    # Another unit cannot tell of it.
    foreign = {"case": "registry_case/c1", "event": "embolism", "happened_on": "2026-01-02"}
    writers.write([("unit-b", "registry_event/e2", foreign)])
    assert row("verdicts") == [("--10----000",)]
    (bled,) = writers.write([("unit-a", "registry_event/e1", {**foreign, "event": "rebleed"})])
    assert row("verdicts", "rebleed_days", "source") == [("--11----000", 1, "unknown")]
    writers.write([("unit-a", "registry_event/e1", {})], retract=[f"{bled.op_id}#{bled.hash[:16]}"])
    assert row("verdicts", "rebleed_days", "source") == [("--10----000", 59, "")]
    person = {"died_on": "2026-01-20", "sex": "female"}
    writers.write([("unit-a", "registry_patient/p1", person)])
    assert row("verdicts", "sex", "death_days") == [("--100000011", "female", 19)]
    with store.transaction():
        assert store.views.differing() == []
        store.views.rebuild()
        store.outcomes.clear()
        assert store.views.differing() == ["registry_case/c1"]
    store.close()


def test_a_changed_definition_makes_the_rows_of_a_hub_anew(tmp_path):
    """Caught: after an update the cases stood as the definitions before had judged them."""
    store = open_unit_store(tmp_path, new_generation="generation-1")
    case = {"patient": "registry_patient/p1", "treated_on": "2026-01-01", "delivered": True}
    Writers(store).write([("unit-a", "registry_case/c1", case)])
    store.close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection, connection:
        connection.execute("UPDATE registry_episode SET verdicts = 'as before'")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        connection.execute(f"PRAGMA user_version = {version - 1}")

    store = open_unit_store(tmp_path, new_generation="generation-1")

    with store.reading():
        (row,) = store.outcomes.in_order(Choice(), "verdicts")
    assert row[0][0] == "1"
    assert version % 1_000 == packaged_definitions().version
    store.close()


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        ({"from_on": "2026-02-30"}, "no day"),
        ({"until_on": "soon"}, "no day"),
        ({"from_on": "2026-02-02", "until_on": "2026-02-01"}, "before it begins"),
        ({"unit": "unit a'--"}, "by its id"),
        ({"mix": "colour:red"}, "narrows nothing"),
        ({"mix": "sex"}, "narrows nothing"),
        ({"mix": "sex:male,sex:female"}, "narrows nothing"),
    ],
)
def test_a_wrong_question_is_refused_in_one_sentence(ask, said):
    with pytest.raises(CalculationError, match=said) as refused:
        read_choice(OutcomeAsk(**ask))
    assert str(refused.value).endswith(".")
