"""Outside the domain that a rule file states, both engines give a sentence and no number.

Domains are read from the rule files in force, not written here: a wider file widens the test.
"""

from decimal import Decimal

from api.clinical_rules.coil_picks import CoilCountRow
from api.clinical_rules.liver_rules import InputRangeRow
from tests.fuzz.chance import Chance
from tests.unit.api.twin_engine import (
    answer_here,
    answer_there,
    find_differences,
    packaged_rule_book,
    write_answer,
)

LARGEST_UM = 10_000_000
# Every score that reads the input; another score may stand.
READS = {
    "bilirubin": ("child_pugh", "meld", "meld_na", "meld_3", "albi"),
    "albumin": ("child_pugh", "meld_3", "albi", "aims65"),
    "creatinine": ("meld", "meld_na", "meld_3", "creatinine_clearance"),
    "urea": ("glasgow_blatchford",),
    "haemoglobin": ("glasgow_blatchford",),
    "inr": ("child_pugh", "meld", "meld_na", "meld_3", "aims65"),
    "sodium_mmol_l": ("meld_na", "meld_3"),
    "age_years": ("creatinine_clearance", "aims65"),
    "weight_kg": ("creatinine_clearance",),
    "systolic_mmhg": ("glasgow_blatchford", "aims65"),
    "heart_rate_bpm": ("glasgow_blatchford",),
}
WELL = {
    "bilirubin": {"value": 34.2, "unit": "umol/L"},
    "albumin": {"value": 35, "unit": "g/L"},
    "creatinine": {"value": 88, "unit": "umol/L"},
    "urea": {"value": 7, "unit": "mmol/L"},
    "haemoglobin": {"value": 101, "unit": "g/L"},
    "inr": 1.7,
    "sodium_mmol_l": 130,
    "ascites": "mild",
    "encephalopathy": "none",
    "dialysis": False,
    "sex": "female",
    "age_years": 58,
    "weight_kg": 64,
    "systolic_mmhg": 104,
    "heart_rate_bpm": 96,
    "melaena": True,
    "syncope": False,
    "hepatic_disease": True,
    "cardiac_failure": False,
    "altered_mental_status": False,
}


def numbers_in(part: object) -> list[float]:
    """Return every number below a part of an answer; words with digits in them are none."""
    if isinstance(part, bool) or part is None or isinstance(part, str):
        return []
    if isinstance(part, int | float | Decimal):
        return [float(part)]
    inner = part.values() if isinstance(part, dict) else part
    return [number for one in inner for number in numbers_in(one)]


def answers_of_both(kind, requests):
    """Return the answers, once both engines were seen to write the same."""
    book = packaged_rule_book()
    assert next(find_differences(kind, iter(requests), book), None) is None
    return [answer_here(kind, one, book) for one in requests]


def test_a_varix_beyond_the_coil_table_has_no_number_of_coils_loop_amount_or_packing():
    """[HAZ-08] 600 axes from just beyond the table to 10 m, in both engines.

    Planted bug that this caught: the last row of the table taken for all that lies beyond it.
    Shown to fail: an axis one micrometre within the table has its numbers.
    """
    rows = packaged_rule_book().rule_file("sizing/coil_counts", CoilCountRow).rows
    beyond_um = rows[-1].below_um
    chance = Chance(8)
    axes = [beyond_um, beyond_um + 1, LARGEST_UM]
    axes += [chance.randint(beyond_um, LARGEST_UM) for _ in range(297)]
    axes += [chance.randint(beyond_um, 2 * beyond_um) for _ in range(300)]

    def request(axis_um):
        return {
            "targets": [
                {
                    "label": "A",
                    "short_axis_um": axis_um,
                    "long_axis_um": axis_um,
                    "measured_distance_um": 23_000,
                    "origin": chance.choice(("measured", "estimated", "measured-on-image")),
                }
            ],
            "needle": {"gauge": 19, "prime_ul": 900, "stop_step_um": 1000},
            "coils_in_stock": [
                {"id": "c", "loop_um": 20_000, "wire_um": 889, "length_um": 140_000, "count": 9}
            ],
        }

    for axis_um, answer in zip(
        axes, answers_of_both("sizing", [request(axis) for axis in axes]), strict=True
    ):
        [target] = answer["answer"]["targets"]
        for part in ("coils", "volume_ul", "packing_per_mille_from_to"):
            assert set(target[part]) == {"refusal"}, (axis_um, part, target[part])
            assert numbers_in(target[part]) == []
            assert "You can write your own plan." in target[part]["refusal"]["text"]

    [within] = answers_of_both("sizing", [request(beyond_um - 1)])
    assert numbers_in(within["answer"]["targets"][0]["coils"]) != []


def test_a_laboratory_number_outside_its_range_gives_no_score_that_reads_it():
    """[HAZ-08] [HAZ-51] Each range at both ends, one last place and a hundredfold beyond.

    A unit mixed up (34.2 umol/L entered as mg/dL) mostly lands there. Planted bug that this
    caught, in both engines: the upper bound left out for one unit of creatinine.
    """
    rows = packaged_rule_book().rule_file("liver_scores/input_ranges", InputRangeRow).rows
    assert {row.input for row in rows} == set(READS)
    asked = []
    for row in rows:
        least, most = Decimal(row.at_least), Decimal(row.at_most)
        for number in (least - Decimal("0.01"), most + Decimal("0.01"), most * 100, Decimal(0)):
            if row.input == "age_years" and number != number.to_integral_value():
                number = least - 1 if number < least else most + 1
            value = int(number) if number == number.to_integral_value() else float(number)
            given = {"value": value, "unit": row.unit} if row.input in WELL_MEASURED else value
            asked.append((row.input, {**WELL, row.input: given}))

    answers = answers_of_both("liver-scores", [request for _, request in asked])

    for (name, request), answer in zip(asked, answers, strict=True):
        for score in READS[name]:
            part = answer["answer"][score]
            assert set(part) == {"refusal"}, (name, request[name], score, part)
            assert numbers_in(part) == []
    [well] = answers_of_both("liver-scores", [WELL])
    for score in {score for scores in READS.values() for score in scores}:
        assert numbers_in(well["answer"][score]) != [], score


WELL_MEASURED = {name for name, one in WELL.items() if isinstance(one, dict)}


def test_an_adhesive_drug_or_class_off_the_list_has_no_number():
    """[HAZ-08] [HAZ-13] Nothing is taken for the nearest thing that is on the list."""
    book = packaged_rule_book()
    off_list = [
        (
            "sizing",
            {
                "targets": [],
                "adhesive": {
                    "agent": "another-adhesive",
                    "parts_adhesive": 1,
                    "parts_oil": 0,
                    "planned_ul": 1000,
                },
            },
        ),
        (
            "antithrombotic-holds",
            {"procedure_on": "2026-12-01", "urgent": False, "drugs": ["another-drug"]},
        ),
        ("first-bleed", {"varix_class": "GOV1"}),
        ("first-bleed", {"varix_class": "unclassified"}),
    ]
    for kind, request in off_list:
        here = answer_here(kind, request, book)
        assert answer_there(kind, [request]) == [write_answer(here)]
        answer = dict(here["answer"])
        answer.pop("rule_files", None)
        assert numbers_in(answer) == [], (kind, here)
        refused = here.get("refused") or answer.get("refusal", {}).get("text")
        assert refused, (kind, here)


def test_numbers_are_found_wherever_they_hide():
    """[HAZ-08] The search itself: words with digits are no numbers, nested numbers are."""
    assert numbers_in({"a": [True, None, "1 mm", {"b": [3, 0.5]}]}) == [3, 0.5]
