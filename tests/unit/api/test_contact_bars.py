"""Who was transferred is written to again about a case that began here after that, and no other.

Planted bugs that this caught, one at a time: a case that began on the day of the transfer taken
for a later one, and a visit without a case taken for one of a later case.
"""

import pytest

from api.clinical_rules.clinic_facts import PatientFacts, VisitFacts
from api.documents.contact_bars import find_bar
from api.storage.unit_store import open_unit_store
from api.use_cases.read_clinic import read_clinic
from tests.unit.api.clinic_story import Story

NOON_MS = 1_773_662_400_000
DAY_MS = 86_400_000
PATIENT = PatientFacts(record="patient/p-1")


def visit(name, case, begun_on, **more):
    told = {"status": "to-book", "case": case, "begun_on": begun_on, **more}
    return VisitFacts(record=f"visit/{name}", patient="patient/p-1", **told)


def left(ended_on, because="transferred"):
    return visit(
        "v-1", "case/c-1", "2026-03-01", status="ended", ended_because=because, ended_on=ended_on
    )


def why(one, others):
    found = find_bar(one, PATIENT, others, held_back=frozenset())
    return found.reason if found else None


@pytest.mark.parametrize(
    ("of_visit", "others", "reason"),
    [
        (("case/c-2", "2026-03-15"), [left("2026-03-16")], "transferred"),
        (("case/c-2", "2026-03-16"), [left("2026-03-16")], "transferred"),
        (("case/c-2", "2026-03-17"), [left("2026-03-16")], None),
        (("case/c-1", "2026-03-17"), [left("2026-03-16")], "transferred"),
        (("", "2026-03-17"), [left("2026-03-16")], "transferred"),
        (("case/c-2", "2026-03-17"), [left("")], "transferred"),
        (("case/c-2", ""), [left("2026-03-16")], "transferred"),
        (("case/c-2", "2026-03-17"), [left("2026-03-16", "died")], "died"),
        (
            ("case/c-2", "2026-03-17"),
            [left("2026-03-16"), visit("v-3", "case/c-2", "2026-03-16")],
            "transferred",
        ),
    ],
)
def test_a_transfer_withholds_letters_of_every_case_that_had_begun(of_visit, others, reason):
    """[FG5] [HAZ-45] By the visits that the booking stream knows; a death stays for all."""
    assert why(visit("v-2", *of_visit), others) == reason


@pytest.mark.parametrize(("days", "reason"), [(0, "transferred"), (1, None)])
def test_the_days_are_those_of_the_record(tmp_path, days, reason):
    """[FG5] [HAZ-45]"""
    store = open_unit_store(tmp_path, new_generation="generation-1")
    story = Story(store, now_ms=NOON_MS)
    with store.transaction():
        story.write("patient/p-1", family_name="Greyfen", local_id="TH-0042")
        story.write("visit/v-1", patient="patient/p-1", case="case/c-1", status="to-book")
        story.write("visit/v-1", status="ended", ended_because="transferred")
        story.now_ms += days * DAY_MS
        story.write("visit/v-2", patient="patient/p-1", case="case/c-2", status="to-book")
    found = {one.record: one for one in read_clinic(store, time_zone="Europe/London").visits}
    store.close()

    assert why(found["visit/v-2"], [found["visit/v-1"]]) == reason
    assert why(found["visit/v-1"], [found["visit/v-2"]]) == "transferred"
