"""Visits as FHIR R4B: sound by the library, and by a walker for what the library lets pass.

Planted bugs that this caught: a status "done", a reference to a patient that is not in the bundle,
a window that ends before it begins, an appointment for a visit that took place elsewhere.
"""

import copy
import json
import random
import re

import pytest
from fhir.resources.R4B.bundle import Bundle

from api.documents.fhir_bundle import make_bundle
from api.documents.fhir_checks import FhirError, check_bundle
from api.use_cases.read_clinic import read_clinic
from tests.unit.api.clinic_story import Story
from tests.unit.api.random_clinics import invent_clinic, taken_back, write_clinic
from tests.unit.api.standing_unit import NOON_MS

PATIENT, VISIT = "patient/p-1", "visit/fennimore-1"
WINDOW = {"earliest_on": "2026-03-14", "target_on": "2026-03-20", "latest_on": "2026-04-20"}


@pytest.fixture
def told(unit):
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write(
            PATIENT,
            family_name="Fennimore",
            given_name="Marigold",
            born_on="1961-04-02",
            local_id="TH-77",
            phone="01632 960 077",
        )
        story.session("one", "2026-03-20")
        story.write(
            VISIT,
            patient=PATIENT,
            label="Scope check with ultrasound",
            status="to-book",
            window=WINDOW,
        )
        story.book(VISIT, "clinic_session/one", "2026-03-20")
    return story


def _fetch(unit, headers):
    answer = unit.client.get("/api/fhir/visits", headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/fhir+json")
    content = answer.json()
    Bundle.model_validate(content)
    return content


def _of(content, kind):
    return [
        entry["resource"]
        for entry in content.get("entry", ())
        if entry["resource"]["resourceType"] == kind
    ]


def test_a_booked_visit_is_a_request_and_an_appointment(unit, told, a):
    content = _fetch(unit, a)
    (request,) = _of(content, "ServiceRequest")
    (appointment,) = _of(content, "Appointment")
    (patient,) = _of(content, "Patient")

    assert (content["type"], request["intent"], request["status"]) == (
        "collection",
        "plan",
        "active",
    )
    assert request["occurrencePeriod"] == {"start": "2026-03-14", "end": "2026-04-20"}
    assert (appointment["status"], appointment["minutesDuration"]) == ("booked", 30)
    assert appointment["start"] == "2026-03-20T09:30:00+00:00"
    assert appointment["basedOn"] == [{"reference": f"urn:uuid:{request['id']}"}]
    assert [one["status"] for one in appointment["participant"]] == ["needs-action", "accepted"]
    assert patient["identifier"][0]["value"] == "TH-77"


@pytest.mark.parametrize(
    ("fields", "appointment", "request_status"),
    [
        ({"status": "attended"}, ["fulfilled"], "completed"),
        ({"status": "no-show"}, ["noshow"], "active"),
        ({"status": "cancelled"}, ["cancelled"], "active"),
        ({"status": "to-book"}, ["cancelled"], "active"),
        # Ended weeks after the day that it was booked for.
        ({"status": "ended", "ended_because": "died"}, [], "unknown"),
        ({"status": "ended", "ended_because": "case-retracted"}, [], "entered-in-error"),
        ({"status": "attended", "elsewhere": {"on": "2026-03-02", "place": "x"}}, [], "completed"),
    ],
)
def test_each_state_has_its_codes(unit, told, a, fields, appointment, request_status):
    with unit.store.transaction():
        told.write(VISIT, **fields)
    content = _fetch(unit, a)

    assert [one["status"] for one in _of(content, "Appointment")] == appointment
    assert [one["status"] for one in _of(content, "ServiceRequest")] == [request_status]


def test_two_answers_on_a_booking_are_pending(unit, told, a):
    """[HAZ-43]"""
    with unit.store.transaction():
        told.session("two", "2026-03-27")
        Story(unit.store, device="desk-b", now_ms=NOON_MS + 90).write(
            VISIT,
            sees=False,
            booking={"session": "clinic_session/two", "on": "2026-03-27", "time": "10:00"},
        )
    assert [one["status"] for one in _of(_fetch(unit, a), "Appointment")] == ["pending"]


def test_two_answers_on_how_a_visit_stands_are_pending(unit, told, a):
    """[CV10] The planted bug it has caught: what two desks tell apart exported as called off."""
    with unit.store.transaction():
        Story(unit.store, device="desk-b", now_ms=NOON_MS + 90).write(
            VISIT, sees=False, status="ended", ended_because="declined"
        )
    content = _fetch(unit, a)
    (request,) = _of(content, "ServiceRequest")

    assert [one["status"] for one in _of(content, "Appointment")] == ["pending"]
    assert request["status"] == "unknown"
    assert "nobody has decided" in request["note"][0]["text"]


@pytest.mark.parametrize(
    ("on", "because", "appointments", "request_status"),
    [
        ("2026-09-20", "declined", [], "unknown"),
        ("2026-09-21", "declined", [], "unknown"),
        ("2026-09-22", "declined", ["cancelled"], "revoked"),
        ("2026-09-22", "case-retracted", ["cancelled"], "entered-in-error"),
    ],
)
def test_what_was_ended_after_its_day_is_not_said_to_be_called_off(
    unit, told, a, on, because, appointments, request_status
):
    """[FH7] Who came on the day, and whose visit was ended after it, was told as never seen."""
    with unit.store.transaction():
        told.session("early", on)
        told.book(VISIT, "clinic_session/early", on)
        told.write(VISIT, status="attended")
        told.write(VISIT, status="ended", ended_because=because)
    content = _fetch(unit, a)
    (request,) = _of(content, "ServiceRequest")

    assert [one["status"] for one in _of(content, "Appointment")] == appointments
    assert request["status"] == request_status
    assert ("Whether the patient came" in str(request.get("note"))) is (not appointments)


def test_no_name_no_birth_date_and_no_finding_leaves(unit, told, a):
    """[HAZ-47] [FU-11] The label says what kind of visit it is, as the clerk's screen does."""
    text = json.dumps(_fetch(unit, a))

    for word in ("Fennimore", "Marigold", "1961", "960 077", "visit/", "patient/"):
        assert word.lower() not in text.lower()
    assert re.search(r"vari[xc]|coil|bleed|cirrh|obliterat|diagnos", text, re.IGNORECASE) is None


def test_a_window_that_ends_before_it_begins_is_left_out_and_said(unit, told, a):
    with unit.store.transaction():
        told.write(VISIT, window={**WINDOW, "latest_on": "2026-03-13"})
    (request,) = _of(_fetch(unit, a), "ServiceRequest")

    assert "occurrencePeriod" not in request
    assert "ends before it begins" in request["note"][0]["text"]


def test_random_clinics_give_sound_bundles(unit):
    chance = random.Random(11)
    for _ in range(40):
        with taken_back(unit.store):
            write_clinic(unit.store, invent_clinic(chance))
            clinic = read_clinic(unit.store, time_zone="Europe/London")
        content = json.loads(check_bundle(make_bundle(clinic, now_ms=NOON_MS, minutes=30)))
        assert len(_of(content, "ServiceRequest")) == 7


def _spoil(content, kind, **fields):
    spoiled = copy.deepcopy(content)
    for entry in spoiled["entry"]:
        if entry["resource"]["resourceType"] == kind:
            entry["resource"].update(fields)
    return spoiled


@pytest.mark.parametrize(
    ("kind", "fields", "words"),
    [
        ("Appointment", {"status": "done"}, "none of"),
        ("ServiceRequest", {"intent": "wish"}, "none of"),
        ("Appointment", {"end": "2026-03-20T09:00:00+00:00"}, "before it begins"),
        ("ServiceRequest", {"subject": {"reference": "urn:uuid:nobody"}}, "not in the bundle"),
        ("Appointment", {"participant": []}, "FHIR"),
        ("Appointment", {"start": "2026-03-20T09:30:00"}, "FHIR"),
        ("Appointment", {"colour": "red"}, "FHIR"),
        (
            "ServiceRequest",
            {"occurrencePeriod": {"start": "2026-04-02", "end": "2026-04-01"}},
            "before it begins",
        ),
    ],
)
def test_what_breaks_the_standard_does_not_leave(unit, told, a, kind, fields, words):
    """The first five and the last pass the library unseen."""
    content = _fetch(unit, a)
    assert check_bundle(content)

    with pytest.raises(FhirError, match=words):
        check_bundle(_spoil(content, kind, **fields))


def test_a_participant_without_a_code_of_the_standard_does_not_leave(unit, told, a):
    """The walker looks into lists of parts as well."""
    content = _fetch(unit, a)
    for one in _of(content, "Appointment"):
        one["participant"][1]["status"] = "coming"

    with pytest.raises(FhirError, match="participant"):
        check_bundle(content)


def test_an_empty_unit_exports_an_empty_bundle_and_strangers_nothing(unit, a):
    assert "entry" not in _fetch(unit, a)
    assert unit.client.get("/api/fhir/visits").status_code == 401
