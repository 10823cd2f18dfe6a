"""What a record of the registry gives as a row, whatever was written into it.

Planted bugs that this caught: the lot kept without its plain form, a count of pieces of 0 told as
one, a true or false taken for a number, a day that is none kept.
"""

import pytest

from api.clinical_rules.civil_date import add_days
from api.outcomes.registry_rows import (
    CaseRow,
    PartRow,
    read_case,
    read_event,
    read_implant,
    read_look,
    read_patient,
)
from api.registry.case_watch import find_window_days
from api.storage.unit_store import open_unit_store
from tests.unit.api.random_registry import Writers

CASE = {"case": "registry_case/c1"}


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"event": "rebleed", "happened_on": "2026-02-01"}, ("rebleed", "2026-02-01", "", None)),
        ({"event": "rebleed", "source": "unknown"}, ("rebleed", "", "", None)),
        ({"event": "rebleed", "source": "gastric-varix"}, ("rebleed", "", "gastric-varix", None)),
        ({"event": "reintervention", "planned": True}, ("reintervention", "", "", 1)),
        ({"event": "reintervention", "planned": 1}, ("reintervention", "", "", None)),
        ({"happened_on": "2026-02-30"}, ("unknown", "", "", None)),
    ],
)
def test_an_event_is_told_as_far_as_it_is_known(fields, told):
    """[OC12]"""
    row = read_event("registry_event/e", "unit-a", {**CASE, **fields})
    assert row == PartRow("registry_event/e", "unit-a", "registry_case/c1", *told)


def test_a_look_without_an_answer_saw_nothing():
    look = {**CASE, "looked_on": "2026-02-01"}
    row = read_look("registry_look/l", "unit-a", look)
    assert (row.part, row.told, row.on_day) == ("look", "not-seen", "2026-02-01")
    torn = read_look("registry_look/l", "unit-a", {**look, "doubts": ["flow"]})
    assert (torn.told, torn.on_day) == ("", "2026-02-01")


@pytest.mark.parametrize(
    ("days", "told"),
    [
        *((0, 0), (4, 0), (5, 0), (6, 5), (29, 5), (30, 5), (31, 30), (41, 30), (42, 30), (43, 42)),
        *((364, 42), (365, 42), (366, 365), (4_000, 365)),
    ],
)
def test_the_longest_time_that_is_over_is_told(days, told):
    """[RG17] On its last day it is not over: something may still happen."""
    assert find_window_days("2026-01-10", add_days("2026-01-10", days)) == told


@pytest.mark.parametrize("read", [read_look, read_event, read_implant])
def test_what_belongs_to_no_case_is_no_row(read):
    assert read("registry_x/1", "unit-a", {"item": "coil", "event": "rebleed"}) is None
    assert read("registry_x/1", "unit-a", {"case": 7, "item": "coil"}) is None


def test_values_of_another_type_are_missing_and_nothing_fails():
    fields = {
        "treated_on": "2026-01-01",
        "patient": 3,
        "meld": True,
        "coils_placed": -1,
        "delivered": "yes",
        "seen_on": "never",
        "doubts": ["events", 4],
        "windows_due": "2",
    }
    row = read_case("registry_case/c", "unit-a", fields)
    assert row == CaseRow(
        "registry_case/c", "unit-a", "registry_case/c", "2026-01-01", doubts="events"
    )
    assert read_case("registry_case/c", "unit-a", {**fields, "treated_on": "soon"}) is None
    patient = read_patient("registry_patient/p", "unit-a", {"birth_year": "1960", "died_on": "x"})
    assert (patient.born, patient.died_on, patient.doubts) == (None, "", "")


def test_pieces_are_those_that_are_told_and_one_where_nobody_counted():
    held = {**CASE, "item": "coil"}
    assert read_implant("registry_implant/i", "unit-a", held).pieces == 1
    assert read_implant("registry_implant/i", "unit-a", {**held, "count": 0}).pieces == 0
    assert read_implant("registry_implant/i", "unit-a", {**held, "count": 3}).pieces == 3


def test_implants_are_kept_under_the_plain_form_of_their_lot(tmp_path):
    """As a search of a unit looks for them (LT2, LT5): letters that look like digits are digits."""
    store = open_unit_store(tmp_path, new_generation="generation-1")
    implant = {**CASE, "item": "coil", "lot": "lo-417 i", "identifier": "(0)0614141-12345-2"}
    writers = Writers(store)
    writers.write(
        [
            ("unit-a", "registry_implant/i1", implant),
            ("unit-a", "registry_implant/i2", {**CASE, "item": "coil", "lot_unknown": True}),
        ]
    )
    with store.reading():
        rows = store.views.reads.rows()
    (table, first), (_, second) = (rows[f"registry_implant/{one}"][0] for one in ("i1", "i2"))
    assert table == "registry_implant_row"
    assert first[-2:] == ("614141123452", "104171")
    assert (second[5], second[6], second[-1]) == (None, 1, None)
    store.close()
