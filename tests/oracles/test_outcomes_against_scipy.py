"""Survival, log-rank, intervals and funnel limits against scipy, for draws nobody chose."""

import random

import numpy as np
import pytest
from scipy import stats

from api.outcomes.funnel import find_limit
from api.outcomes.proportions import chance_beyond, exact_interval, score_interval
from api.outcomes.survival import Spell, compare_groups, estimate_survival


def _draw(chance, count):
    return [Spell(chance.randint(0, 25), chance.choice(("x", ""))) for _ in range(count)]


def _censored(spells):
    return stats.CensoredData(
        uncensored=[one.days for one in spells if one.ended_by],
        right=[one.days for one in spells if not one.ended_by],
    )


# Where nothing is left, or nothing happened yet, there is no band: scipy says so by a warning.
@pytest.mark.filterwarnings("ignore:The confidence interval is undefined")
def test_survival_and_its_band_are_those_of_scipy():
    """The planted bug that this caught: the band on the plain scale."""
    chance = random.Random(21)
    compared = 0
    for _ in range(80):
        spells = _draw(chance, chance.randint(3, 60))
        steps = estimate_survival(spells)
        if not steps:
            continue
        theirs = stats.ecdf(_censored(spells)).sf
        with np.errstate(all="ignore"):
            band = theirs.confidence_interval(method="log-log")
        for one in steps:
            assert one.share == pytest.approx(theirs.evaluate(one.days), abs=1e-9)
            if one.lower is not None:
                compared += 1
                assert one.lower == pytest.approx(band.low.evaluate(one.days), abs=1e-9)
                assert one.upper == pytest.approx(band.high.evaluate(one.days), abs=1e-9)
    assert compared > 500


def test_the_comparison_of_two_groups_is_that_of_scipy():
    chance = random.Random(22)
    for _ in range(60):
        one, other = _draw(chance, 20), [Spell(9, "x"), *_draw(chance, 25)]
        theirs = stats.logrank(_censored(one), _censored(other))
        ours = compare_groups([one, other])
        assert ours.chi_square == pytest.approx(theirs.statistic**2, abs=1e-9)
        assert ours.chance == pytest.approx(theirs.pvalue, abs=1e-9)


@pytest.mark.parametrize("degrees", range(1, 12))
def test_the_tail_of_chi_square_is_that_of_scipy(degrees):
    for chi_square in (0.0, 0.1, 1.0, 3.84, 16.793, 60.0, 200.0):
        assert chance_beyond(chi_square, degrees) == pytest.approx(
            stats.chi2.sf(chi_square, degrees), rel=1e-9
        )


def test_intervals_are_those_of_scipy():
    for of in (1, 2, 7, 30, 400):
        for happened in sorted({0, 1, of // 3, of - 1, of}):
            for level in (0.9, 0.95, 0.998):
                theirs = stats.binomtest(happened, of)
                for ours, method in ((exact_interval, "exact"), (score_interval, "wilson")):
                    found = theirs.proportion_ci(level, method)
                    assert ours(happened, of, level) == pytest.approx(
                        (found.low, found.high), abs=1e-9
                    )


def test_limits_of_a_funnel_are_interpolated_quantiles_of_the_binomial():
    """Spiegelhalter 2005, appendix. The planted bug that this caught: the part not taken off."""
    chance = random.Random(23)
    for _ in range(400):
        cases, rate = chance.randint(1, 900), chance.uniform(0.005, 0.995)
        for below in (0.001, 0.025, 0.975, 0.999):
            count = stats.binom.ppf(below, cases, rate)
            upper, lower = (stats.binom.cdf(one, cases, rate) for one in (count, count - 1))
            expected = (count - (upper - below) / (upper - lower)) / cases
            assert find_limit(cases, rate, below) == pytest.approx(max(expected, 0), abs=1e-9)
