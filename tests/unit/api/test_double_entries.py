"""Possible double entries and what conflicts hold back: by the shared vectors, and as data."""

import json
from pathlib import Path

import pytest

from api.record_catalogue.catalogue import CatalogueError, read_catalogue
from api.record_catalogue.conflict_effects import read_conflict_effects
from api.record_catalogue.double_entries import (
    decision_record,
    find_double_entries,
    rounds_wanted,
)
from tests.unit.api.merged_vector import merge_vector
from tests.unit.sync.vectors import cases

CATALOGUE_FOLDER = Path(__file__).resolve().parents[3] / "api/record_catalogue"
CATALOGUE = read_catalogue((CATALOGUE_FOLDER / "catalogue.json").read_bytes())
EFFECTS = (CATALOGUE_FOLDER / "conflict_effects.json").read_bytes()


def _of(states, *kinds):
    return [state for state in states if state.record.split("/")[0] in kinds]


@pytest.mark.parametrize("case", cases("double_entries/find_double_entries.json"))
def test_what_may_be_one_thing_is_proposed_as_the_vector_says(case):
    """Caught, each planted in turn and taken out again:

    - the window compared with `<`;
    - a verdict in conflict taken as the last one written;
    - injections told apart by the target alone;
    - `both-struck` without a look at a third record of the same coil.
    """
    states = merge_vector(case["given"]["operations"])
    wanted = set(rounds_wanted(_of(states, "adhesive_injected")))
    rounds = {state.record: state for state in states if state.record in wanted}
    physical = _of(states, "coil_placed", "adhesive_injected")
    decisions = _of(states, "decision")

    for order in (1, -1):
        found = find_double_entries(physical[::order], rounds, decisions[::order])
        assert [{"records": list(one.records), "why": one.why} for one in found] == case["expect"]


@pytest.mark.parametrize("case", cases("double_entries/decision_record.json"))
def test_the_record_of_a_decision_follows_from_the_pair(case):
    assert decision_record(tuple(case["given"])) == case["expect"]


def test_every_kind_with_fields_that_a_person_settles_says_what_a_conflict_holds_back():
    """[CF3]."""
    effects = read_conflict_effects(EFFECTS, CATALOGUE)

    assert effects.of("target", "size") == ("plan", "letter")
    assert effects.of("target", "label") == ("letter",)
    assert effects.of("package_opened", "fate") == ("counts",)
    assert effects.of("visit", "window") == ("booking",)
    assert effects.of("from_a_newer_version", "anything") == effects.effects
    used = {
        one
        for kind in effects.kinds.values()
        for listed in (kind.otherwise, *kind.fields.values())
        for one in listed
    }
    assert used == set(effects.effects)


@pytest.mark.parametrize(
    ("break_it", "sentence"),
    [
        (lambda table: table.update(colour="x"), "cannot be read"),
        (lambda table: table["kinds"]["visit"].update(otherwise=["mood"]), "cannot be read"),
        (lambda table: table["kinds"].pop("target"), "leaves target out"),
        (lambda table: table["kinds"]["case"]["fields"].update(nothing=[]), "names case"),
        (lambda table: table["kinds"].update(nobody={"otherwise": []}), "names nobody"),
    ],
)
def test_a_table_of_effects_that_contradicts_the_catalogue_is_refused(break_it, sentence):
    table = json.loads(EFFECTS)
    break_it(table)

    with pytest.raises(CatalogueError, match=sentence):
        read_conflict_effects(json.dumps(table).encode(), CATALOGUE)
