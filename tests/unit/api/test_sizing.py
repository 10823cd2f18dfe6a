"""Sizing: laws that hold for every request, and faults of the rule files."""

import json
import random
from collections import Counter
from typing import Any

import pytest

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import packaged_rule_book

BOOK = packaged_rule_book()
NEEDLE = {"gauge": 19, "inner_diameter_um": 940, "stop_step_um": 1000}


def target(axis_um: int, label: str = "A", **rest: int) -> dict[str, Any]:
    return {"label": label, "short_axis_um": axis_um, "origin": "measured", **rest}


def draw_shelf(chance: random.Random) -> list[dict[str, Any]]:
    return [
        {
            "id": f"coil-{place}",
            "loop_um": chance.randrange(4000, 40_000, 1000),
            "wire_um": chance.choice([457, 533, 889, 960]),
            "length_um": 140_000,
            "count": chance.randrange(4),
        }
        for place in range(chance.randrange(1, 8))
    ]


def size(request: dict[str, Any]) -> Any:
    return calculate("sizing", request, BOOK)


def test_all_targets_together_stay_within_the_stock():
    """[SZ13] Caught a planted bug: each target began with the whole stock."""
    shared = 0
    for seed in range(600):
        chance = random.Random(seed)
        shelf = draw_shelf(chance)
        targets = [
            target(chance.randrange(5000, 30_000, 500), label)
            for label in "ABC"[: chance.randrange(2, 4)]
        ]
        answer = size({"targets": targets, "needle": NEEDLE, "coils_in_stock": shelf})
        used = Counter(pick for sized in answer["targets"] for pick in sized["coils"]["picks"])
        for coil in shelf:
            assert used[coil["id"]] <= coil["count"]
        if any(
            times > 0 and times == coil["count"] for coil in shelf for times in [used[coil["id"]]]
        ):
            shared += 1
    assert shared > 100


def test_picks_are_those_that_a_plain_search_finds():
    """[SZ4] [SZ5] [SZ6] [SZ7] [SZ8] Against a second reading of the rules, by sorting.

    Caught planted bugs: the band's upper bound left out, and a later coil below the axis.
    """
    reasons: Counter[str] = Counter()
    for seed in range(1200):
        chance = random.Random(seed)
        shelf = draw_shelf(chance)
        axis_um = chance.randrange(5000, 35_000, 250)
        coils = size({"targets": [target(axis_um)], "needle": NEEDLE, "coils_in_stock": shelf})[
            "targets"
        ][0]["coils"]
        singles = sorted(
            [coil for coil in shelf for _ in range(coil["count"]) if coil["wire_um"] < 940],
            key=lambda coil: coil["loop_um"],
        )
        low, high = axis_um * 1.2, axis_um * 1.5
        in_band = [coil["loop_um"] for coil in singles if low <= coil["loop_um"] <= high]
        below = [coil["loop_um"] for coil in singles if coil["loop_um"] < low]
        expected: list[int] = []
        if in_band:
            expected.append(in_band[0])
        elif below and (below[-1] >= axis_um or singles[-1]["loop_um"] <= high):
            expected.append(below[-1])
        if expected:
            rest = [coil["loop_um"] for coil in singles]
            rest.remove(expected[0])
            least = min(axis_um, expected[0])
            expected += sorted(
                (loop for loop in rest if least <= loop <= expected[0]), reverse=True
            )
        loops = {coil["id"]: coil["loop_um"] for coil in shelf}
        assert [loops[pick] for pick in coils["picks"]] == expected[: coils["to"]]
        reasons[coils["reason"]] += 1
    assert min(reasons[word] for word in ("in-band", "largest-stocked", "none-fits")) > 50


def test_the_stop_is_never_deeper_than_the_distance_allows():
    """[SZ9] [SZ10] Caught a planted bug: the step rounded to the nearest."""
    stops = 0
    for seed in range(3000):
        chance = random.Random(seed)
        distance_um = chance.randrange(0, 60_000)
        walls = {"near_wall_um": chance.randrange(30_000), "far_wall_um": chance.randrange(60_000)}
        step_um = chance.choice([1, 250, 500, 1000, 5000])
        answer = size(
            {
                "targets": [target(10_000, measured_distance_um=distance_um, **walls)],
                "needle": {"gauge": 19, "stop_step_um": step_um},
            }
        )
        stop_um = answer["targets"][0]["needle_stop_um"]
        if isinstance(stop_um, int):
            stops += 1
            assert stop_um % step_um == 0
            assert 0 < stop_um <= distance_um - 2000 < stop_um + step_um
            assert walls["near_wall_um"] < stop_um < walls["far_wall_um"]
        else:
            assert list(stop_um) == ["refusal"]
    assert stops > 300


def test_every_caution_is_short_and_plain():
    """At most 25 words each, none of them of blame; the licence is for local protocol."""
    rows = json.loads(read_packaged_rule_files()["sizing/cautions.v3.json"])["rows"]
    texts = {row["id"]: row["text"] for row in rows}

    assert [row["id"] for row in rows if len(row["text"].split()) > 25] == []
    assert not any(word in text for text in texts.values() for word in ("wrong", "error", "fail"))
    assert texts["licence"] == (
        "Use of this adhesive here may be outside its licence. Local protocol decides."
    )


def test_every_caution_of_the_file_can_be_raised():
    """A caution that no request raises would be a promise that nobody keeps."""
    rows = json.loads(read_packaged_rule_files()["sizing/cautions.v3.json"])["rows"]
    raised: set[str] = set()
    thick = {"id": "t", "loop_um": 12_000, "wire_um": 990, "length_um": 140_000, "count": 1}
    thin = {**thick, "id": "u", "loop_um": 12_000, "wire_um": 457}
    adhesive = {"agent": "n-butyl-2-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 1}
    requests: list[dict[str, Any]] = [
        {
            "targets": [{**target(10_000, long_axis_um=9000), "origin": "estimated"}],
            "needle": {"gauge": 19},
            "coils_in_stock": [thick, thin],
            "adhesive": {**adhesive, "planned_ul": 4001},
        },
        {
            "targets": [{**target(12_000), "origin": "earlier-record"}, target(4000, "B")],
            "coils_in_stock": [thin],
            "adhesive": {**adhesive, "planned_ul": 6001},
            "shunt": "present",
            "right_to_left_shunt": "yes",
        },
        {"targets": [target(10_000)], "needle": NEEDLE},
        {
            "targets": [target(30_000)],
            "coils_in_stock": [{**thin, "loop_um": 20_000}],
            "adhesive": {**adhesive, "parts_oil": 3, "planned_ul": 1200},
            "right_to_left_shunt": "unknown",
        },
        {"targets": [], "adhesive": {**adhesive, "planned_ul": 5900}},
        {"targets": [], "adhesive": {**adhesive, "parts_oil": 3, "planned_ul": 3900}},
    ]
    for request in requests:
        raised |= {caution["id"] for caution in size(request)["cautions"]}

    assert {row["id"] for row in rows} - raised == set()


@pytest.mark.parametrize("asked", [{}, {"right_to_left_shunt": "unknown"}])
def test_a_plan_of_an_older_file_keeps_its_one_remark(asked: dict[str, str]):
    """[AD9] Else the second check would find every plan of edition 2 changed.

    Caught a planted bug: the new remark raised whatever the file has, so that none was shown.
    """
    contents = read_packaged_rule_files()
    in_force = json.loads(contents["in_force.json"])
    in_force["in_force"] = [
        row
        for row in in_force["in_force"]
        if (row["name"], row["version"]) != ("sizing/cautions", 3)
    ]
    book = RuleBook({**contents, "in_force.json": json.dumps(in_force).encode()}, on="2026-11-25")
    adhesive = {"agent": "2-octyl-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 0}

    answer = calculate("sizing", {"targets": [], "adhesive": adhesive, **asked}, book)

    cautions: Any = answer["cautions"]
    remarks = [one["text"] for one in cautions if one["id"].startswith("right-to-left")]
    assert remarks == ["Right-to-left shunt not asked for yet."]


def test_stops_come_before_cautions_and_cautions_before_notes():
    answer = size(
        {
            "targets": [target(10_000)],
            "adhesive": {
                "agent": "2-octyl-cyanoacrylate",
                "parts_adhesive": 1,
                "parts_oil": 0,
                "planned_ul": 7000,
            },
        }
    )
    levels = [caution["level"] for caution in answer["cautions"]]

    assert set(levels) == {"stop", "caution", "note"}
    assert levels == sorted(levels, key=["stop", "caution", "note"].index)


def test_every_number_names_its_basis_and_source():
    """[RF2] A number carries its own, or the answer names it under ``basis``."""
    answer = size({"targets": [target(10_000)], "needle": NEEDLE})

    assert set(answer["basis"]) == {
        "loop_band_um",
        "needle_stop_um",
        "aliquot_ul",
        "aliquot_ms",
        "soft_limit_ul",
        "second_person_ul",
        "dead_space_ul",
        "volume_ul",
        "packing_per_mille_from_to",
        "leaves_tip_before_flush_ul",
        "mix_ul",
    }
    assert answer["basis"]["needle_stop_um"]["basis"] == "unit-setting"
    parts = [*answer["basis"].values(), answer["targets"][0]["coils"], *answer["cautions"]]
    standings = ("published", "common-practice", "from-memory", "derived", "unit-setting")
    assert all(part["basis"] in standings and part["source"] for part in parts)


def test_a_refusal_carries_what_each_part_lacks():
    """[SZ16]"""
    with pytest.raises(CalculationRefusedError, match=r"Nothing could be calculated\.") as refused:
        size({"targets": [{"label": "A", "short_axis_um": 9000}], "needle": {"gauge": 19}})

    sized = refused.value.answer["targets"][0]  # type: ignore[index]
    assert sized["coils"] == {"missing": ["origin"]}
    assert sized["needle_stop_um"] == {"missing": ["measured_distance_um", "needle.stop_step_um"]}
    assert refused.value.answer["rule_files"]


def book_with(path: str, **changed: object) -> RuleBook:
    contents = read_packaged_rule_files()
    contents[path] = json.dumps({**json.loads(contents[path]), **changed}).encode()
    return RuleBook(contents, on="2026-11-25")


def test_coil_counts_with_a_gap_are_refused():
    """[RF4] The gap is named; no number comes out of a file with a hole."""
    rows = json.loads(read_packaged_rule_files()["sizing/coil_counts.v1.json"])["rows"]
    book = book_with("sizing/coil_counts.v1.json", rows=[rows[0], rows[2], rows[3]])

    with pytest.raises(RuleFileError, match="rows 1 and 2 leave a gap \\(5000-10000 um\\)"):
        calculate("sizing", {"targets": [target(7000)]}, book)


def test_a_limit_or_flush_row_that_is_missing_is_named():
    """[RF6]"""
    rows = json.loads(read_packaged_rule_files()["sizing/limits.v2.json"])["rows"]
    book = book_with("sizing/limits.v2.json", rows=rows[1:])
    with pytest.raises(RuleFileError, match=r"no item loop_low_per_mille\. Add it\."):
        calculate("sizing", {"targets": [target(7000)]}, book)

    rows = json.loads(read_packaged_rule_files()["sizing/flush_media.v1.json"])["rows"]
    book = book_with("sizing/flush_media.v1.json", rows=rows[1:])
    adhesive = {"agent": "2-octyl-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 0}
    with pytest.raises(RuleFileError, match=r"no row 2-octyl-cyanoacrylate\. Add it\."):
        calculate("sizing", {"targets": [], "adhesive": adhesive}, book)
