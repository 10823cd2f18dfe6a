"""Limits of sums that are played, quartiles of counts, and cells that may be told.

Planted bugs that this caught: the limit that one run too many reaches, chance begun anew each
time, a quartile taken at the wrong place, a unit of few cases told through another's counts, a
count hidden alone so that the sum gives it away.
"""

import random
import statistics

import pytest

from api.outcomes.amounts import find_quartiles
from api.outcomes.cusum import run_length, weigh_case
from api.outcomes.definitions import packaged_definitions
from api.outcomes.played_limits import mix_of, play_limit, pool_risks
from api.outcomes.proportions import OutcomeError
from api.registry.round_counts import round_count
from api.use_cases.outcome_cells import Cells, CellTable

BY = packaged_definitions().sums


def share_that_signals(mix, limit, runs=1_500):
    """Play runs by other chance, case by case: in how many the sum reaches the limit."""
    chance = random.Random(99)
    reached = 0
    for _ in range(runs):
        held = 0.0
        for _ in range(BY.cases):
            risk = chance.choice(mix)
            held = max(0.0, held + weigh_case(risk, chance.random() < risk, odds=BY.odds))
            if held >= limit:
                reached += 1
                break
    return reached / runs


@pytest.mark.parametrize("risks", [[0.05], [0.02, 0.1, 0.3], [0.5]])
def test_a_limit_is_reached_without_cause_as_seldom_as_it_says(risks):
    """[OC15] 5 of 100 runs of 200 cases, played by another chance and by another loop."""
    mix = mix_of(risks * 20)
    limit = play_limit(mix, BY)

    assert limit == play_limit(mix, BY)
    share = share_that_signals(mix, limit)
    assert share == pytest.approx(0.05, abs=0.018)
    # A doubled rate is found much sooner than a false signal comes.
    assert run_length(mix, limit=limit) > 10 * run_length(mix, limit=limit, true_odds=2.0)


def test_where_nothing_can_happen_no_run_reaches_the_limit():
    assert play_limit(mix_of([0.0]), BY) > 0
    for mix in ((), (1.2,)):
        with pytest.raises(OutcomeError):
            play_limit(mix, BY)


def test_a_mix_is_told_by_its_quantiles():
    assert mix_of([]) == ()
    assert set(mix_of([0.1234])) == {0.123}
    mixed = mix_of([0.3, 0.1] * 7)
    assert (mixed.count(0.1), mixed.count(0.3)) == (25, 25)
    assert mix_of(list(range(100)))[:3] == (1, 3, 5)


def test_the_risk_of_a_group_is_drawn_towards_the_mean():
    """[OC15] By hand: mean 12/60; (2 + 10 x 0.2) / (10 + 10) and (10 + 2) / (50 + 10)."""
    risks = pool_risks({"a": (2, 10), "b": (10, 50), "none": (0, 0)}, 10)
    assert risks == pytest.approx({"a": 0.2, "b": 0.2, "none": 0.2})
    risks = pool_risks({"a": (9, 10), "b": (3, 50)}, 10)
    assert risks == pytest.approx({"a": 11 / 20, "b": 5 / 60})
    assert pool_risks({"a": (0, 0)}, 10) == {}


def test_quartiles_of_counts_are_those_of_the_numbers():
    chance = random.Random(4)
    for _ in range(200):
        numbers = [chance.randint(0, 9) for _ in range(chance.randint(1, 40))]
        found = find_quartiles({one: numbers.count(one) for one in set(numbers)})
        held = sorted(numbers)
        assert found[1] == statistics.median(numbers)
        # Half of the numbers lie at or below each quarter's place, and the rest at or above.
        for quarter, number in zip((1, 3), (found[0], found[2]), strict=True):
            below = sum(one < number for one in held)
            at_most = sum(one <= number for one in held)
            assert below <= len(held) * quarter / 4 <= at_most
    assert find_quartiles({}) is None
    assert find_quartiles({3: 0}) is None


def table(**cases):
    return CellTable(cases, hides=True)


def test_no_cell_from_one_to_four_is_told_nor_the_one_that_gives_it_away():
    """[OC16] What is told is told to the nearest five, the sum of all units too."""
    held = table(a=40, b=40, c=40)
    cells = {"a": Cells(2, 30, 8), "b": Cells(12, 20, 8), "c": Cells(20, 12, 8)}

    told = held.tell_units(cells)

    assert told["a"] is None
    assert [unit for unit, one in told.items() if one is None] == ["a", "b"]
    assert held.tell_total(cells) == Cells(35, 60, 25)
    assert CellTable({"a": 40}, hides=False).tell_units({"a": Cells(2, 30, 8)})["a"].happened == 2


def test_a_unit_whose_cases_are_hidden_is_hidden_in_every_outcome():
    held = table(a=3, b=9, c=50)
    assert [held.cases_of(unit) for unit in "abc"] == [None, None, 50]
    cells = {"a": Cells(0, 0, 3), "b": Cells(0, 9, 0), "c": Cells(0, 50, 0)}
    told = held.tell_units(cells)
    assert (told["a"], told["b"]) == (None, None)
    assert told["c"] == Cells(0, 50, 0)


def test_cells_of_random_networks_give_nothing_away():
    """[OC16] No small count is told, and no unit hidden alone beside a told sum has one."""
    chance = random.Random(12)
    for _ in range(300):
        units = [f"u{number}" for number in range(chance.randint(1, 6))]
        cells = {
            unit: Cells(*(chance.choice((0, 0, 1, 3, 4, 5, 9, 20)) for _ in range(3)))
            for unit in units
        }
        held = CellTable({unit: sum(one) for unit, one in cells.items()}, hides=True)
        told = held.tell_units(cells)
        for unit, one in told.items():
            if one is not None:
                assert not any(0 < count < 5 for count in one)
                assert one == Cells(*map(round_count, cells[unit]))
        hidden = [unit for unit, one in told.items() if one is None]
        total = held.tell_total(cells)
        if total is not None and len(hidden) == 1:
            # Alone it could be reckoned from the sum: then nothing of it is small.
            assert not any(0 < count < 5 for count in cells[hidden[0]])
