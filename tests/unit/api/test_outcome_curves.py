"""What figures need of the curves, limits and sums that a hub tells with small groups hidden."""

import random

import pytest

from api.outcomes.definitions import packaged_definitions
from api.outcomes.survival import Spell
from api.use_cases.outcome_cells import Cells
from api.use_cases.outcome_curves import draw_curve, draw_limits, draw_sum

FEWEST = 5
MARKS = {True: "1", False: "0"}


def _sum(happened, *, hides):
    by = packaged_definitions().sums
    group = ("acute-bleed", "B")
    cases = [(group, MARKS[one], "2026-01") for one in happened]
    groups = {group: (20, 200)}
    return draw_sum(groups, cases, by, {}, unit="u", outcome="embolism", hides=hides)


@pytest.mark.parametrize("start", range(0, 12))
def test_a_signal_is_told_whichever_case_of_a_group_reached_the_limit(start):
    """[OC10] Caught: every fifth point alone told of no signal that came between two of them."""
    happened = [False] * start + [True] * 9 + [False] * 30
    whole, told = _sum(happened, hides=False), _sum(happened, hides=True)
    signals = [one.number for one in whole.points if one.is_signal]
    groups = sorted({-(-number // FEWEST) * FEWEST for number in signals})

    assert signals
    assert [one.number for one in told.points if one.is_signal] == groups
    assert [one.number for one in told.points] == list(range(FEWEST, len(happened) + 1, FEWEST))
    assert all(one.value >= told.limit for one in told.points if one.is_signal)
    assert all(one.value < told.limit for one in told.points if not one.is_signal)


def test_the_limits_of_each_unit_stand_among_those_of_the_lines():
    """[OC9] Caught: of units of 61 and 97 cases the table behind the funnel had no limits."""
    by = packaged_definitions().by_outcome["embolism"]
    chance = random.Random(4)
    sizes = [61, 97, 300, *(chance.randint(10, 300) for _ in range(20))]
    told = {f"u{place}": Cells(0, cases, 0) for place, cases in enumerate(sizes)}
    funnel = draw_limits(told, Cells(30, sum(sizes), 0), by, hides=False)

    assert set(sizes) <= {one.cases for one in funnel.limits}


def test_how_many_are_at_risk_tells_no_small_drop():
    """[OC16] Caught: 60 at risk, then 58: two left or had the event between the two days."""
    by = packaged_definitions().over_time[0]
    spells = {Spell(50): 2, Spell(120): 3, Spell(200): 15, Spell(400): 40}
    told = draw_curve(spells, by, named="x", hides=True, keeps_counts=False)
    whole = draw_curve(spells, by, named="x", hides=False, keeps_counts=False)

    assert [one.cases for one in whole.at_risk] == [60, 58, 55, 40, 40]
    assert [one.cases for one in told.at_risk] == [60, None, 55, 40, 40]


def test_a_hub_tells_shares_and_sums_no_finer_than_five_cases():
    """[OC16] Caught: 1 - 5/41 as it is, which says that they are 41."""
    by = packaged_definitions().over_time[0]
    spells = {Spell(day, "rebleed" if day % 2 else ""): 1 for day in range(1, 42)}
    told = draw_curve(spells, by, named="x", hides=True, keeps_counts=False)

    assert (told.cases, told.missing) == (40, 0)
    assert len(told.points) == 4
    for point in told.points:
        for value in (point.share, point.low, point.high):
            assert value * 8 == round(value * 8)
        assert point.low <= point.share <= point.high
    summed = _sum([True, *[False] * 11] * 6, hides=True)
    assert all(one.value * 10 == pytest.approx(round(one.value * 10)) for one in summed.points)


def test_a_curve_says_after_how_many_events_a_point_is_told():
    by = packaged_definitions().over_time[0]
    spells = {Spell(day, "rebleed"): 1 for day in range(1, 31)}
    whole = draw_curve(spells, by, named="x", hides=False, keeps_counts=False)
    told = draw_curve(spells, by, named="x", hides=True, keeps_counts=False)

    assert (whole.told_every, len(whole.points)) == (1, 30)
    assert (told.told_every, [one.day for one in told.points]) == (FEWEST, [5, 10, 15, 20, 25, 30])
