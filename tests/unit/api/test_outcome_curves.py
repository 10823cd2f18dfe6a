"""What figures need of the curves and limits that a hub tells with small groups hidden."""

import random

from api.outcomes.definitions import packaged_definitions
from api.outcomes.survival import Spell
from api.use_cases.outcome_cells import Cells
from api.use_cases.outcome_curves import draw_curve, draw_limits

FEWEST = 5


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


def test_a_hub_tells_shares_no_finer_than_five_cases():
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


def test_a_curve_says_after_how_many_events_a_point_is_told():
    by = packaged_definitions().over_time[0]
    spells = {Spell(day, "rebleed"): 1 for day in range(1, 31)}
    whole = draw_curve(spells, by, named="x", hides=False, keeps_counts=False)
    told = draw_curve(spells, by, named="x", hides=True, keeps_counts=False)

    assert (whole.told_every, len(whole.points)) == (1, 30)
    assert (told.told_every, [one.day for one in told.points]) == (FEWEST, [5, 10, 15, 20, 25, 30])
