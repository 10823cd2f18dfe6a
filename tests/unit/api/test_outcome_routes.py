"""Outcomes over HTTP: who may read them, what is noted of it, and what a hub keeps back.

Planted bugs that this caught: an endoscopist let in at the hub, a reading that no line of the trail
keeps, a wrong question answered with everything.
"""

import random

import pytest

from tests.safety.told_groups import (
    find_exact_counts,
    find_small_counts,
    find_somebody,
    is_of_own_unit,
)
from tests.unit.api.desk_person import DeskPerson, events
from tests.unit.api.random_registry import Writers, invent_registry
from tests.unit.api.standing_unit import StandingUnit

MAY = {"endoscopist", "data-manager"}


def person(unit, role):
    one = DeskPerson(unit, "Ida Norrwood", role=role)
    assert one.log_in().status_code == 201
    return one


@pytest.fixture
def hub(tmp_path):
    with StandingUnit(tmp_path / "hub", as_hub=True).serving() as standing:
        writers = Writers(standing.store)
        writers.write(invent_registry(random.Random(5), units=("unit-a", "unit-b"), cases=200))
        yield standing


@pytest.mark.parametrize("role", [*sorted(MAY), "unit-admin", "auditor", "training"])
def test_who_reads_outcomes_at_a_unit(unit, role):
    one = person(unit, role)
    answer = one.ask("GET", "/api/outcomes")

    assert answer.status_code == (200 if role in MAY else 403)
    if role in MAY:
        told = answer.json()
        assert (told["cases"], told["units"], told["funnels"]) == (0, [], [])
        assert {one["outcome"] for one in told["outcomes"]} >= {"obliteration", "seen_in_window"}
        assert events(unit, "outcomes") == [("read", "done", one.staff)]


def test_a_hub_tells_its_data_manager_alone_and_names_no_record(hub):
    manager, other = person(hub, "data-manager"), person(hub, "endoscopist")

    told = manager.ask("GET", "/api/outcomes?until_on=2026-06-30&mix=indication:acute-bleed")
    refused = other.ask("GET", "/api/outcomes")

    assert told.status_code == 200
    assert [one["unit"] for one in told.json()["units"]] == ["unit-a", "unit-b"]
    assert "shifted-dates" in told.json()["cautions"]
    assert refused.status_code == 403
    assert "data manager" in refused.json()["detail"]
    assert "registry_" not in told.text
    assert events(hub, "outcomes") == [
        ("read", "done", manager.staff),
        ("read", "refused", other.staff),
    ]
    with hub.store.transaction():
        lines = [one for one in hub.store.access.lines() if one.object == "outcomes"]
    line = next(one for one in lines if one.outcome == "done")
    assert line.why == "until 2026-06-30, mix indication:acute-bleed"
    assert line.records == ()


@pytest.mark.parametrize(
    "asked", ["from_on=2026-02-30", "mix=name:Ida", "unit=%27--", "from_on=2026-2-3&until_on="]
)
def test_a_wrong_question_gets_one_sentence_and_no_answer(hub, asked):
    answer = person(hub, "data-manager").ask("GET", f"/api/outcomes?{asked}")

    assert answer.status_code in (400, 422)
    assert answer.json()["detail"].endswith(".")
    assert events(hub, "outcomes") == []


@pytest.mark.parametrize(
    "asked", ["", "?unit=unit-a", "?mix=sex:female,varix_class:GOV1", "?until_on=2025-02-28"]
)
def test_a_hub_tells_of_groups_alone(hub, asked):
    """[OC16] Caught: months of one unit that hid nothing, a curve with a point for each event.

    Also caught: sources of bleeds, and the cases of an amount, told to the last one.
    """
    told = person(hub, "data-manager").ask("GET", f"/api/outcomes{asked}").json()

    assert told["cases"] > 10
    assert not is_of_own_unit(told)
    assert find_small_counts(told) == []
    assert find_exact_counts(told) == []
    assert "rounded-counts" in told["cautions"]
    # Days after the treatment and months, never a date.
    assert find_somebody(told) == []
    for curve in (*told["survival"], *told["competing"]["causes"]):
        assert len(curve["points"]) <= told["cases"] / 5


def test_what_finds_small_counts_finds_them():
    outcome = {"happened": 3, "judged": 40, "missing": 0}
    month = {"month": "2026-02", "cases": 9, "happened": {"embolism": 4, "obliteration": 5}}
    told = {
        "outcomes": [outcome],
        "months": [month],
        "funnels": [{"limits": [{"cases": 1}], "units": [{"cases": 2}]}],
        "from_on": "2026-01-01",
        "said": "case/c-1",
    }
    assert find_small_counts(told) == [
        ".outcomes.0.happened: 3",
        ".months.0.happened.embolism: 4",
        ".funnels.0.units.0.cases: 2",
    ]
    assert find_somebody(told) == [".said: case/c-1"]
    exact = {**told, "survival": [{"cases": 40, "points": [{"share": 0.875}, {"share": 0.878}]}]}
    exact["outcomes"] = [{"happened": 20, "judged": 41}]
    assert find_exact_counts(exact) == [
        ".outcomes.0.judged: 41",
        ".months.0.cases: 9",
        ".months.0.happened.embolism: 4",
        ".funnels.0.units.0.cases: 2",
        "share: 0.878",
    ]
