"""Survival, log-rank and competing risks against lifelines, on the sets that it carries.

Tolerances: 1e-9 for shares, bands and errors; log-rank 1e-8 relative. lifelines moves tied events
by chance before it reckons competing risks, so those are compared where no two days are equal.
The weights of a risk-adjusted sum are held against the numbers printed in papers.
Planted bugs that this caught: who is censored on a day left out of those at risk on it, the
variance of an incidence without its middle part, a death that competes counted as a loss, the
spread of a log-rank divided by those at risk instead of one less, a weight by 1 - p for a death.
"""

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter, datasets
from lifelines.statistics import multivariate_logrank_test

from api.outcomes.competing_risks import estimate_incidence
from api.outcomes.cusum import follow_risks, weigh_case
from api.outcomes.proportions import normal_quantile
from api.outcomes.survival import Spell, band_of, compare_groups, estimate_survival, find_median

# Name, column of time, column of the event, column of the group.
SETS = [
    ("leukemia", "t", "status", "Rx"),
    ("rossi", "week", "arrest", "fin"),
    ("gbsg2", "time", "cens", "horTh"),
    ("waltons", "T", "E", "group"),
    ("larynx", "time", "death", "Stage_IV"),
    ("kidney_transplant", "time", "death", "black_male"),
    ("lymphoma", "Time", "Censor", "Stage_group"),
    ("lung", "time", "status", "sex"),
]
# Freireich et al. 1963 (Blood 21:699-716), the treated arm in weeks; + is censored.
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
SMALLEST = 0.05


def _load(name, time, event):
    frame = getattr(datasets, f"load_{name}")()
    # Whole units: a spell counts days.
    return frame.assign(
        days=(frame[time] * 100).round().astype(int), happened=frame[event].astype(int) > 0
    ).reset_index(drop=True)


def _spells(frame):
    return [
        Spell(days, "x" if happened else "")
        for days, happened in zip(frame.days.tolist(), frame.happened.tolist(), strict=True)
    ]


@pytest.mark.parametrize(("name", "time", "event", "group"), SETS)
def test_survival_and_its_band_are_those_of_lifelines(name, time, event, group):
    frame = _load(name, time, event)
    for _, some in frame.groupby(group):
        theirs = KaplanMeierFitter().fit(some.days, some.happened)
        steps = estimate_survival(_spells(some))
        assert len(steps) == some[some.happened].days.nunique()
        band = theirs.confidence_interval_survival_function_
        for step in steps:
            assert step.share == pytest.approx(float(theirs.predict(step.days)), abs=1e-9)
            assert step.at_risk == theirs.event_table.at_risk[step.days]
            if step.lower is not None:
                lower, upper = band.loc[step.days]
                assert (step.lower, step.upper) == pytest.approx((lower, upper), abs=1e-9)
        median = find_median(steps)
        assert (math.inf if median is None else median) == theirs.median_survival_time_


@pytest.mark.parametrize(("name", "time", "event", "group"), SETS)
def test_the_comparison_of_groups_is_that_of_lifelines(name, time, event, group):
    frame = _load(name, time, event)
    theirs = multivariate_logrank_test(frame.days, frame[group], frame.happened)

    ours = compare_groups([_spells(some) for _, some in frame.groupby(group)])

    assert ours.chi_square == pytest.approx(theirs.test_statistic, rel=1e-8)
    assert ours.chance == pytest.approx(theirs.p_value, rel=1e-8)
    assert ours.degrees == theirs.degrees_of_freedom


def test_three_stages_are_compared_as_by_lifelines():
    frame = datasets.load_larynx().assign(
        days=lambda held: (held.time * 10).round().astype(int),
        happened=lambda held: held.death.astype(bool),
        stage=lambda held: held.Stage_II + 2 * held.Stage_III + 3 * held.Stage_IV,
    )
    theirs = multivariate_logrank_test(frame.days, frame.stage, frame.happened)
    ours = compare_groups([_spells(some) for _, some in frame.groupby("stage")])
    assert (ours.chi_square, ours.degrees) == (pytest.approx(theirs.test_statistic, rel=1e-8), 3)


def test_the_6_mp_arm_of_lifelines_is_that_of_the_textbooks():
    """Freireich et al. 1963 (Blood 21:699-716): 6-MP is the arm with Rx 0."""
    frame = datasets.load_leukemia()
    arm = frame[frame.Rx == 0]
    printed = SIX_MP.split()
    held = [f"{t}{'' if s else '+'}" for t, s in zip(arm.t, arm.status, strict=True)]
    assert sorted(held) == sorted(printed)


def _senators():
    """Return why and after how many days members of a senate left it; no two on one day."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = datasets.load_canadian_senators()
    causes = frame.reason.where(frame.observed.astype(bool)).map(
        lambda why: {"Death": 1, "Resignation": 2, "Retirement": 3}.get(why, 0)
    )
    held = pd.DataFrame({"days": frame.diff_days.astype(int), "cause": causes})
    held = held[held.days > 0].drop_duplicates("days", keep=False)
    return held.sort_values("days").reset_index(drop=True)


@pytest.mark.parametrize("cause", [1, 2, 3])
@pytest.mark.parametrize("rows", [slice(None), slice(0, None, 7)])
def test_competing_risks_are_those_of_lifelines(cause, rows):
    frame = _senators()[rows]
    theirs = AalenJohansenFitter().fit(frame.days, frame.cause, event_of_interest=cause)
    spells = [
        Spell(days, str(why) if why else "")
        for days, why in zip(frame.days.tolist(), frame.cause.tolist(), strict=True)
    ]

    steps = estimate_incidence(spells, str(cause))

    assert len(steps) == (frame.cause > 0).sum()
    shares = theirs.cumulative_density_.iloc[:, 0]
    compared = 0
    for step in steps:
        assert step.share == pytest.approx(shares[step.days], abs=1e-9)
        # Where nobody is left theirs divides by nothing.
        variance = theirs.variance_[step.days]
        if np.isfinite(variance) and step.lower is not None:
            compared += 1
            assert step.error == pytest.approx(math.sqrt(max(variance, 0.0)), abs=1e-9)
            # Theirs transforms the share, ours the rest: the band follows from the error alone.
            lower, upper = band_of(1 - step.share, step.error, normal_quantile(0.95))
            assert (step.lower, step.upper) == (1 - upper, 1 - lower)
    assert compared > len(steps) * (1 - SMALLEST) - 5


def test_counted_spells_are_the_spells_one_by_one():
    """A network counts spells by SQL: the same figures from counts as from a list."""
    frame = _senators()
    spells = [Spell(int(days) // 200, str(why)) for days, why in frame.values.tolist()]
    counts = {one: spells.count(one) for one in set(spells)}

    assert estimate_survival(counts) == estimate_survival(spells)
    assert estimate_incidence(counts, "1") == estimate_incidence(spells, "1")


def test_weights_are_those_printed_by_steiner():
    """[OC10] Steiner et al. 2000 (Biostatistics 1:441-52), page 446, odds doubled.

    Risk of death by logit p = -3.68 + 0.077 x score (Parsonnet): a score of 0 and one of 50.
    """
    low, high = (1 / (1 + math.exp(3.68 - 0.077 * score)) for score in (0, 50))

    printed = {(low, False): -0.024, (low, True): 0.67, (high, False): -0.43, (high, True): 0.26}
    for (risk, happened), weight in printed.items():
        shown = round(weigh_case(risk, happened, odds=2), 3 if abs(weight) < 0.1 else 2)
        assert shown == weight


def test_a_first_case_is_the_worked_one_of_rigdon_and_fricker():
    """[OC10] Rigdon and Fricker 2015 (Health Surveillance), pages 225-6: score 19, alive.

    logit p = -3.67 + 0.077 x 19. The sum that looks for twice the odds stays 0; that for half of
    them stands at 0.05083.
    """
    risk = 1 / (1 + math.exp(3.67 - 0.077 * 19))

    (worse,) = follow_risks([(risk, False)], limit=2)
    (better,) = follow_risks([(risk, False)], limit=2, odds=0.5)

    assert worse.sum == 0
    assert round(better.sum, 5) == 0.05083
