"""A needle's stop is rounded down and adhesive is never more than planned, in both engines."""

from fractions import Fraction

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing_limits import LimitRow, Limits
from tests.fuzz.chance import Chance
from tests.unit.api.twin_engine import (
    answer_here,
    answer_there,
    packaged_rule_book,
    write_answer,
)

BOOK = packaged_rule_book()


def limits_of(book: RuleBook) -> Limits:
    return Limits(book.rule_file("sizing/limits", LimitRow))


def answers_of_both(requests):
    """Return the answers of the Python engine, once the other one was seen to write the same."""
    here = [answer_here("sizing", one, BOOK) for one in requests]
    assert [write_answer(one) for one in here] == answer_there("sizing", requests)
    return [one.get("answer", {}) for one in here]


def test_a_needle_stop_is_never_beyond_the_distance_less_its_margin():
    """[HAZ-06] [SZ9] 2,000 distances and steps, whole and odd ones.

    Planted bugs that this caught: rounded to the nearest step, and up.
    """
    margin_um = limits_of(BOOK)["stop_margin_um"]
    chance = Chance(6)
    asked = [
        {
            "targets": [
                {
                    "label": "A",
                    "short_axis_um": 14_000,
                    "origin": "measured",
                    "measured_distance_um": chance.choice(
                        (chance.randint(0, 80_000), chance.randint(1, 80) * 1_000)
                    ),
                }
            ],
            "needle": {
                "gauge": 19,
                "prime_ul": 900,
                "stop_step_um": chance.choice((1, 3, 250, 500, 1_000, 5_000, 7_001)),
            },
        }
        for _ in range(2_000)
    ]
    given = 0
    for request, answer in zip(asked, answers_of_both(asked), strict=True):
        stop_um = answer["targets"][0]["needle_stop_um"]
        distance_um = request["targets"][0]["measured_distance_um"]
        step_um = request["needle"]["stop_step_um"]
        if isinstance(stop_um, dict):
            assert stop_um["refusal"]["kind"] == "too-short"
            assert distance_um - margin_um < step_um
            continue
        given += 1
        assert distance_um - margin_um - step_um < stop_um <= distance_um - margin_um
        assert stop_um % step_um == 0
    assert given > 1_000


def test_adhesive_is_what_was_planned_and_its_mix_within_half_a_microlitre():
    """[HAZ-04] [HAZ-06] [AD3] The amounts of a plan against fractions, any ratio of whole parts.

    The rule has the mix half up: at most half a microlitre lies between it and the exact amount.
    Planted bug that this caught: the mix rounded up to the next microlitre.
    """
    chance = Chance(60)
    asked = [
        {
            "targets": [],
            "needle": {"gauge": 19, "prime_ul": chance.randint(1, 1_500)},
            "adhesive": {
                "agent": chance.choice(("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate")),
                "parts_adhesive": chance.randint(1, 20),
                "parts_oil": chance.randint(0, 20),
                "planned_ul": chance.randint(1, 8_000),
            },
        }
        for _ in range(2_000)
    ]
    largest_ul = limits_of(BOOK)["aliquot_ul"]
    for request, answer in zip(asked, answers_of_both(asked), strict=True):
        wanted, adhesive = request["adhesive"], answer["adhesive"]
        parts = Fraction(wanted["parts_adhesive"] + wanted["parts_oil"], wanted["parts_adhesive"])
        exact_ul = wanted["planned_ul"] * parts
        assert adhesive["pure_ul"] == wanted["planned_ul"]
        assert abs(adhesive["mix_ul"] - exact_ul) <= Fraction(1, 2), (request, adhesive)
        assert adhesive["aliquot_ul"] <= largest_ul
