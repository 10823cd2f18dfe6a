"""A score taken apart: what each field adds, the sum, and the thresholds beside it."""

import math

import pytest

from api.linkage.encoded_traits import ENCODED
from api.linkage.fellegi_sunter import chance_of_pattern
from api.linkage.link_weighing import weigh_told
from api.linkage.link_weights import model_among
from api.use_cases.link_patients import read_packaged_weights

WEIGHTS = read_packaged_weights()
LEVELS = {one.name: one.levels for one in ENCODED.traits}
ALIKE = [("names", "alike"), ("day of birth", "the same"), ("sex", "the same")]


def weigh(told, others=0):
    return weigh_told(WEIGHTS, ENCODED.traits, told, others=others)


def test_each_field_adds_the_logarithm_of_its_two_chances():
    """Caught: a screen told one chance and nothing of what it was made of.

    By hand, from the file of weights: log2(0.293103448 / 0.00006867) = 12.06 of names alike,
    log2(0.905211752 / 0.000039926) = 14.47 of one day of birth, log2(0.99 / 0.5) = 0.99 of one sex;
    before that 100 of 1,000 in 5,000, log2(0.00002 / 0.99998) = -15.61.
    """
    told = weigh(ALIKE)

    assert [(one.trait, one.tenths) for one in told.fields] == [
        ("names", 121),
        ("day of birth", 145),
        ("sex", 10),
    ]
    assert (told.start_tenths, told.sum_tenths) == (-156, 120)
    assert (told.others, told.elsewhere_per_mille) == (5_000, 100)
    # One in five is two doublings below even odds.
    assert (told.shown_from_tenths, told.shown_from_per_mille) == (-20, 200)
    assert (told.identifiers, told.identifiers_needed) == (("names", "day of birth"), 2)


@pytest.mark.parametrize("others", [0, 5_000, 80_000])
@pytest.mark.parametrize(
    "told",
    [
        ALIKE,
        [("names", "unlike"), ("day of birth", "the same year"), ("sex", "unlike")],
        [("names", "near"), ("national number", "unlike")],
        [],
    ],
)
def test_the_sum_and_the_chance_are_those_by_which_pairs_are_found(told, others):
    """What stands on the screen adds up there; planted and caught: the start left out."""
    shown = weigh(told, others)
    pattern = tuple(
        LEVELS[trait.name].index(dict(told)[trait.name]) if trait.name in dict(told) else None
        for trait in ENCODED.traits
    )
    chance = chance_of_pattern(model_among(WEIGHTS, others), pattern)

    assert shown.per_mille == min(int(chance * 1_000), 999)
    assert shown.sum_tenths == shown.start_tenths + sum(one.tenths for one in shown.fields)
    assert shown.sum_tenths / 10 == pytest.approx(math.log2(chance / (1 - chance)), abs=0.3)
    assert (shown.sum_tenths >= shown.shown_from_tenths) == (chance >= 0.2)


def test_one_national_number_is_sure_and_what_no_weights_know_is_told_as_that():
    sure = weigh([("names", "unlike"), ("national number", "the same")])
    assert (sure.is_sure, sure.per_mille, sure.identifiers) == (True, 1_000, ("national number",))

    newer = weigh([("names", "alike"), ("gait", "the same")])
    assert [one.tenths for one in newer.fields] == [121, None]
    assert (newer.sum_tenths, newer.per_mille) == (None, None)
