"""The failsafe list against a search of its own kind, on 1,000 random databases (FU-12).

Planted bugs that this caught: a visit of one case that hid another patient, a booking of last month
taken for a plan, an implant entered in error that listed somebody, one person who signed for two,
a death of the desk's that left somebody out.
"""

import base64
import csv
import io
import random

import pypdf
import pytest

from api.clinical_rules.letter_settings import LetterSettings
from api.storage.unit_store import open_unit_store
from api.use_cases.errors import NotAllowedError
from api.use_cases.list_failsafe import list_failsafe, print_failsafe
from api.use_cases.server_log import Chance
from api.use_cases.sign_failsafe import sign_failsafe
from api.use_cases.unit_settings import read_unit_settings
from tests.unit.api.clinic_story import Story
from tests.unit.api.random_clinics import TODAY, day, taken_back
from tests.unit.api.standing_unit import NOON_MS, assert_problem

ON = TODAY.isoformat()
ZONE = {"on": ON, "time_zone": "Europe/London"}
ENDS = ("died", "transferred", "declined", "not-needed")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = open_unit_store(tmp_path_factory.mktemp("unit"), new_generation="generation-1")
    with opened.transaction():
        opened.devices.keep("tablet-s", "Room 2", "bedside", "token-s", joined_ms=NOON_MS)
        opened.devices.keep("tablet-t", "Room 3", "bedside", "token-t", joined_ms=NOON_MS)
        opened.devices.keep("desk-a", "Desk", "booking", "token-d", joined_ms=NOON_MS)
        Story(opened, device="tablet-s", now_ms=NOON_MS).write("staff/s-1", role="endoscopist")
    yield opened
    opened.close()


def _invent(chance):
    """Return patients with cases, implants and visits as dictionaries."""
    patients = []
    for number in range(chance.randint(1, 3)):
        cases = [
            {
                "name": f"c{number}{place}",
                "implants": chance.randint(0, 2),
                "struck": chance.random() < 0.25,
                "kind": chance.choice(["coil_placed", "adhesive_injected"]),
            }
            for place in range(chance.randint(0, 2))
        ]
        visits = [
            {
                "name": f"v{number}{place}",
                "latest": chance.choice([None, -30, -1, 0, 1, 90]),
                "booked": chance.choice([None, None, -20, -1, 0, 1, 40]),
                "act": chance.choice([None, None, None, -3, 0, 5]),
                "end": chance.choice([None, None, "attended", "no-show", *ENDS]),
                "is_from_desk": chance.random() < 0.25,
            }
            for place in range(chance.randint(0, 2))
        ]
        patients.append({"name": f"p{number}", "cases": cases, "visits": visits})
    return patients


def _write(store, patients):
    story, desk, tablet = (
        Story(store, device=device, now_ms=NOON_MS) for device in ("any", "desk-a", "tablet-t")
    )
    for patient in patients:
        record = f"patient/{patient['name']}"
        story.write(record, family_name="X", local_id=patient["name"])
        for case in patient["cases"]:
            story.write(f"case/{case['name']}", patient=record)
            for number in range(case["implants"]):
                implant = f"{case['kind']}/{case['name']}-{number}"
                story.write(implant, case=f"case/{case['name']}", at="2025-11-03T10:00:00+00:00")
                if case["struck"]:
                    story.write(implant, retract=(story.log[-1].reference,))
        for visit in patient["visits"]:
            name = f"visit/{visit['name']}"
            window = {} if visit["latest"] is None else {"latest_on": day(visit["latest"])}
            story.write(name, patient=record, window=window, status="to-book")
            if visit["act"] is not None:
                story.write(name, act_on=day(visit["act"]))
            if visit["booked"] is not None:
                story.book(name, "clinic_session/none", day(visit["booked"]))
            if visit["end"] in ENDS:
                writer = desk if visit["is_from_desk"] else tablet
                writer.now_ms = story.now_ms
                writer.write(name, status="ended", ended_because=visit["end"])
            elif visit["end"]:
                story.write(name, status=visit["end"])


def _search(patients):
    """Return who has an implant and no future plan, read off the dictionaries alone."""
    found = set()
    for patient in patients:
        has_implant = any(one["implants"] and not one["struck"] for one in patient["cases"])
        is_dead = any(one["end"] == "died" and not one["is_from_desk"] for one in patient["visits"])
        has_plan = False
        for visit in patient["visits"]:
            if visit["end"] == "attended" or visit["end"] in ENDS:
                continue
            if visit["booked"] is not None and visit["end"] is None:
                has_plan |= visit["booked"] >= 0
            else:
                has_plan |= any(
                    visit[name] is not None and visit[name] >= 0 for name in ("latest", "act")
                )
        if has_implant and not is_dead and not has_plan:
            found.add(f"patient/{patient['name']}")
    return found


@pytest.mark.parametrize("seed", range(10))
def test_the_list_is_that_of_a_search_by_hand_on_random_databases(store, seed):
    """[FU-12] [FL1] [FL2] [FL3] A hundred databases a seed: 1,000."""
    chance = random.Random(seed)
    listed = 0
    for _ in range(100):
        patients = _invent(chance)
        with taken_back(store):
            _write(store, patients)
            found = list_failsafe(store, **ZONE)
        names = [one.patient for one in found.patients]
        assert set(names) == _search(patients)
        assert len(names) == len(set(names))
        listed += len(names)
    assert listed > 30


@pytest.fixture
def told(unit):
    story = Story(unit.store, device="tablet-s", now_ms=NOON_MS)
    with unit.store.transaction():
        unit.store.devices.keep("tablet-s", "Room 2", "bedside", "token-s", joined_ms=NOON_MS)
        story.write(
            "patient/p-1",
            family_name="Greyfen",
            given_name="Tobias",
            local_id="TH-0042",
            born_on="1958-07-04",
            phone="01632 960 042",
        )
        story.write("case/c-1", patient="patient/p-1")
        story.write("coil_placed/k-1", case="case/c-1", at="2025-11-03T10:00:00+00:00")
        for person in ("s-1", "s-2", "s-3"):
            role = "endoscopist" if person == "s-1" else "assistant"
            story.write(f"staff/{person}", name=person, role=role, active=person != "s-3")
    return story


def _listed(unit):
    return list_failsafe(unit.store, **ZONE)


def test_somebody_treated_without_any_visit_is_listed_with_where_to_look(unit, told):
    """[FU-12] [FL1]"""
    (one,) = _listed(unit).patients

    assert (one.number, one.name, one.why) == ("TH-0042", "Greyfen, Tobias", "no-visit")
    assert (one.treated_on, one.phone) == ("2025-11-03", "01632 960 042")


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"status": "to-book", "window": {"latest_on": "2026-03-15"}}, "only-past"),
        ({"status": "to-book", "window": {"latest_on": "2026-03-16"}}, None),
        ({"status": "to-book", "window": {"latest_on": "2026-03-17"}}, None),
        ({"status": "no-show", "window": {"latest_on": "2026-03-15"}}, "only-past"),
        ({"status": "no-show", "act_on": "2026-03-20"}, None),
        ({"status": "attended"}, "all-over"),
        ({"status": "ended", "ended_because": "declined"}, "ended"),
        ({"status": "ended", "ended_because": "transferred"}, "ended"),
        ({"status": "ended", "ended_because": "died"}, None),
        ({"status": "booked", "booking": {"session": "x", "on": "2026-03-15"}}, "only-past"),
        ({"status": "booked", "booking": {"session": "x", "on": "2026-03-16"}}, None),
    ],
)
def test_each_reason_by_name_and_the_day_itself_is_still_to_come(unit, told, fields, why):
    """[FU-12] [FL2] [FL3]"""
    with unit.store.transaction():
        told.write("visit/v-1", patient="patient/p-1", **fields)

    assert [one.why for one in _listed(unit).patients] == ([why] if why else [])


def _ends_as_dead(unit, told, how):
    if how == "by nobody's device":
        Story(unit.store, device="desk-q", now_ms=told.now_ms).write(
            "visit/v-1", status="ended", ended_because="died"
        )
        return
    told.write("visit/v-1", status="ended", ended_because="not-needed" if "desk" in how else "died")
    if how == "reason of the desk":
        desk = Story(unit.store, device="desk-b", now_ms=told.now_ms)
        desk.write("visit/v-1", ended_because="died")
    elif how == "by an assistant":
        told.write("staff/s-1", role="assistant")
    elif how == "two answers":
        told.write("visit/v-1", sees=False, ended_because="declined")
    elif how == "of two patients":
        told.write("visit/v-1", sees=False, patient="patient/p-2")


@pytest.mark.parametrize(
    ("how", "is_listed"),
    [
        ("by a clinician", False),
        ("by nobody's device", True),
        ("reason of the desk", True),
        ("by an assistant", True),
        ("two answers", True),
        ("of two patients", True),
    ],
)
def test_only_a_death_that_a_clinician_vouches_for_leaves_somebody_out(unit, told, how, is_listed):
    """[FL3] [HAZ-45]"""
    with unit.store.transaction():
        unit.store.devices.keep("desk-b", "Desk", "booking", "token-d", joined_ms=NOON_MS)
        told.write("visit/v-1", patient="patient/p-1", status="to-book")
        _ends_as_dead(unit, told, how)

    assert [one.patient for one in _listed(unit).patients] == ["patient/p-1"] * is_listed


def test_an_implant_whose_case_names_nobody_is_listed_by_its_case(unit, told):
    """[FL4] Its tablet has not exchanged yet, or the case was begun without a patient."""
    with unit.store.transaction():
        told.write("coil_placed/k-2", case="case/unknown", at="2026-03-01T10:00:00+00:00")

    found = _listed(unit)
    assert [one.patient for one in found.patients] == ["", "patient/p-1"]
    assert "case case/unknown" in found.csv


def test_of_two_answers_on_whom_a_case_is_about_both_are_listed(unit, told):
    """[FL1] [HAZ-12]"""
    with unit.store.transaction():
        told.write("patient/p-2", family_name="Oxbarrow")
        other = Story(unit.store, device="tablet-z", now_ms=NOON_MS + 99)
        other.write("case/c-1", sees=False, patient="patient/p-2")

    assert {one.patient for one in _listed(unit).patients} == {"patient/p-1", "patient/p-2"}


def test_the_list_is_for_devices_that_read_care(unit, told, a):
    """[FU-11] [FU-12]"""
    answer = unit.client.get("/api/failsafe-list", headers=a)
    assert answer.status_code == 200, answer.text
    assert [one["number"] for one in answer.json()["patients"]] == ["TH-0042"]
    desk = unit.join("desk-b", "booking")
    assert_problem(unit.client.get("/api/failsafe-list", headers=desk), 403, "bedside")
    assert unit.client.get("/api/failsafe-list").status_code == 401


def test_the_csv_runs_no_formula_and_holds_every_row(unit, told):
    """RFC 4180; a name that a spreadsheet would run gets an apostrophe in front."""
    with unit.store.transaction():
        told.write("patient/p-1", family_name='=cmd|"x"', phone="+44 1632 960042")
    rows = list(csv.DictReader(io.StringIO(_listed(unit).csv, newline="")))

    assert rows[0]["name"] == '\'=cmd|"x", Tobias'
    assert rows[0]["phone"] == "+44 1632 960042"


def test_the_pdf_holds_every_row_and_is_the_same_twice(unit, told):
    """[FU-12]"""
    found = _listed(unit)
    content = print_failsafe(found, LetterSettings(unit_name="Tarn Hollow Hospital"))
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)

    for part in ("Greyfen, Tobias", "TH-0042", "no visit on record", "second person", "2026-03-16"):
        assert part in " ".join(text.split()), part
    assert print_failsafe(found, LetterSettings(unit_name="Tarn Hollow Hospital")) == content
    assert "Training" not in text


def test_a_list_that_a_unit_in_training_prints_is_marked_on_every_page(unit, told):
    """[HAZ-52]"""
    marked = read_unit_settings(unit.store, on="2026-03-16")
    pages = pypdf.PdfReader(io.BytesIO(print_failsafe(_listed(unit), marked))).pages

    assert all("Training: no real patient" in page.extract_text() for page in pages)


def _sign(unit, prepared_by, signed_by):
    chance = Chance("id7", "eps1", "7" * 32, NOON_MS)
    return sign_failsafe(
        unit.store, prepared_by=prepared_by, signed_by=signed_by, chance=chance, **ZONE
    )


def test_two_people_sign_and_the_record_names_the_list(unit, told):
    """[FU-12] [FL5] No name and no finding: the record goes to every desk."""
    signed = _sign(unit, "staff/s-1", "staff/s-2")

    review = _listed(unit).last_review
    assert review is not None
    assert (review.prepared_by, review.signed_by) == ("staff/s-1", "staff/s-2")
    assert (review.list_hash, review.listed) == (signed.list_hash, 1)
    with unit.store.transaction():
        (operation,) = unit.store.operations.of_record("failsafe_review/id7")
    assert operation.stream == "booking"
    assert "Greyfen" not in (operation.body_text or "")


@pytest.mark.parametrize(
    ("prepared_by", "signed_by"),
    [
        ("staff/s-1", "staff/s-1"),
        ("staff/s-1", "staff/s-3"),
        ("staff/s-1", "staff/nobody"),
        ("patient/p-1", "staff/s-1"),
    ],
)
def test_one_person_alone_and_strangers_sign_nothing(unit, told, prepared_by, signed_by):
    """[FL5]"""
    with pytest.raises(NotAllowedError):
        _sign(unit, prepared_by, signed_by)
    assert _listed(unit).last_review is None


def test_a_list_of_other_people_has_another_hash(unit, told):
    """[FL5]"""
    before = _listed(unit).list_hash
    with unit.store.transaction():
        told.write("visit/v-1", patient="patient/p-1", status="attended")
    assert _listed(unit).list_hash != before


def test_a_bedside_device_shows_prints_and_signs_the_list_that_it_showed(unit, told, a):
    """[FU-12] [FL5] Planted bug that this caught: a list that had changed meanwhile was signed."""
    desk = unit.join("desk-b", role="booking")
    shown = unit.client.get("/api/failsafe-list", headers=a).json()
    paper = unit.client.get("/api/failsafe-paper", headers=a).json()
    signature = {"prepared_by": "staff/s-1", "signed_by": "staff/s-2"}

    def sign(headers, **more):
        body = {**signature, "list_hash": shown["list_hash"], **more}
        return unit.client.post("/api/failsafe-reviews", json=body, headers=headers)

    assert paper["list_hash"] == shown["list_hash"]
    text = "".join(
        page.extract_text()
        for page in pypdf.PdfReader(io.BytesIO(base64.b64decode(paper["pdf"]))).pages
    )
    assert "Greyfen" in text
    assert_problem(unit.client.get("/api/failsafe-paper", headers=desk), 403, "bedside")
    assert_problem(sign(desk), 403, "bedside")
    assert_problem(sign(a, signed_by="staff/s-1"), 403, "Two people")
    assert sign({}).status_code == 401
    assert sign(a).json()["last_review"] == {
        **signature,
        "as_of_on": ON,
        "listed": 1,
        "list_hash": shown["list_hash"],
    }
    with unit.store.transaction():
        told.write("visit/v-1", patient="patient/p-1", status="attended")
    assert_problem(sign(a), 403, "changed")
