"""One case as FHIR R4B: the shared vectors, the twin on the tablet, and what the standard wants.

Planted bugs that this caught: the molar code of bilirubin for mg/dL, a struck coil listed as
implanted, the first of two answers read, a performed period that begins with the last act, and the
tablet's base64 made of code units, the label of a package that went back unopened lent to an
injection, and a closed case called completed for its planned day alone.
"""

import datetime
import json
from zoneinfo import ZoneInfo

import pint
import pytest
from fhir.resources.R4B import get_fhir_model_class

from api.documents.fhir_case import make_case_bundle
from api.documents.fhir_checks import UCUM_CODES, FhirError, check_bundle, is_loinc_code
from api.documents.fhir_observations import LOINC_CODES
from api.use_cases.load_scenario import load_scenario
from tests.fuzz.chance import Chance
from tests.oracles.twin_functions import call_there
from tests.scenarios.test_seed_scenarios import STORIES
from tests.unit.api.calculation_vectors import step_into
from tests.unit.api.clinic_story import Story
from tests.unit.api.random_fhir_cases import draw_case
from tests.unit.api.standing_unit import NOON_MS, assert_problem
from tests.unit.sync.vectors import cases

CASE, PATIENT = "case/c-1", "patient/p-1"


@pytest.mark.parametrize("case", cases("fhir/make_case_bundle.json"))
def test_the_bundle_is_that_of_its_vector(case):
    """[FH1] [FH2] [FH3] [FH4] [FH5] [FH6] [FH7] [FH8]"""
    bundle = make_case_bundle(case["given"])

    assert {path: step_into(bundle, path) for path in case["expect"]} == case["expect"]
    assert check_bundle(bundle)


def test_both_engines_write_the_same_bundle_and_each_is_sound():
    """[FH1] Random cases with struck records, two answers, odd texts and days that are none."""
    requests = [draw_case(Chance(seed)) for seed in range(400)]
    here = [make_case_bundle(one) for one in requests]
    there = call_there(
        "src/clinical-rules/fhir-case.ts", "makeCaseBundle", [(one,) for one in requests]
    )

    for own, other in zip(here, there, strict=True):
        assert json.dumps(own) == json.dumps(other)
        assert json.loads(check_bundle(own)) == own


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_every_case_of_the_stories_leaves_as_a_sound_bundle(unit, path):
    reader = unit.join("tablet-r")
    load_scenario(unit.store, "00_unit", STORIES[0].read_bytes())
    load_scenario(unit.store, path.stem, path.read_bytes())
    with unit.store.transaction():
        records = [one.record for one in unit.store.views.of_kind("case")]
        coils = unit.store.views.of_kind("coil_placed")
    exported = 0
    for record in records:
        address = f"/api/fhir/case/{record.removeprefix('case/')}"
        answer = unit.client.get(address, headers=reader)
        assert answer.status_code == 200, answer.text
        content = answer.json()
        (procedure,) = _of(content, "Procedure")
        devices = _of(content, "Device")
        assert len(procedure.get("focalDevice", ())) <= len(devices)
        exported += sum("loop" in str(one.get("property")) for one in devices)
    assert exported == len([one for one in coils if not one.is_entered_in_error])


@pytest.fixture
def told(unit):
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write(PATIENT, family_name="Fennimore", local_id="TH-77", born_on="1961-04-02")
        story.write(CASE, patient=PATIENT, stage="closed", procedure_on="2026-03-02")
        story.write(
            "coil_placed/k-1",
            case=CASE,
            coil={"loop_um": 15_000},
            device={"lot": "L-1"},
            at="2026-03-02T10:00:00+00:00",
        )
        story.session("one", "2026-03-29", starts="01:30")
        story.write("visit/v-1", patient=PATIENT, case=CASE, label="Scope check", status="to-book")
        story.book("visit/v-1", "clinic_session/one", "2026-03-29", "01:30")
    return story


def test_what_is_struck_in_the_record_leaves_as_entered_in_error(unit, told, a):
    """[FH4] Planted: struck records sought by the case that they no longer show."""
    with unit.store.transaction():
        state = unit.store.views.state_of("coil_placed/k-1")
        told.write("coil_placed/k-1", retract=tuple(state.heads))
    content = _fetch(unit, a)
    (device,) = _of(content, "Device")

    assert device["status"] == "entered-in-error"
    assert "focalDevice" not in _of(content, "Procedure")[0]


def test_two_devices_that_tell_a_stage_apart_are_no_doubt_but_two_days_are(unit, told, a):
    """[FH5] How far a case is has an order; on which day it was treated has none."""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 90)
        other.write(CASE, sees=False, stage="workup", procedure_on="2026-03-03")
    (procedure,) = _of(_fetch(unit, a), "Procedure")

    assert procedure["status"] == "completed"
    (note,) = procedure["note"]
    assert '"2026-03-02" | "2026-03-03"' in note["text"]


def test_a_lot_that_stands_on_the_package_alone_leaves_with_the_coil(unit, told, a):
    """[FH8] Packages are told with the case; of itself each is no resource."""
    with unit.store.transaction():
        told.write("package_opened/o-1", case=CASE, item="coil", device={"lot": "L-9"})
        told.write("coil_placed/k-2", case=CASE, package="package_opened/o-1")
    devices = _of(_fetch(unit, a), "Device")

    assert sorted(one["lotNumber"] for one in devices) == ["L-1", "L-9"]


def test_an_hour_that_the_clock_skips_is_an_hour_later(unit, told, a):
    """[FH7] Half past one on 29 March 2026 is no time in London; the day's feed says so too."""
    (appointment,) = _of(_fetch(unit, a), "Appointment")

    assert (appointment["start"], appointment["end"]) == (
        "2026-03-29T01:30:00.000Z",
        "2026-03-29T02:00:00.000Z",
    )


def test_both_engines_turn_wall_clocks_into_the_same_instants():
    """[FH7] Planted: the offset of the day itself taken for both sides of a change of the clock."""
    asked = [
        (f"2026-{month:02}-{day:02}", f"{hour:02}:{minute:02}", zone)
        for zone in ("Europe/London", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe")
        for month, day in ((3, 8), (3, 29), (4, 5), (7, 1), (10, 4), (10, 25), (11, 1))
        for hour, minute in ((0, 0), (1, 30), (2, 0), (2, 15), (2, 30), (3, 0), (23, 59))
    ]
    there = call_there("src/state/wall-clock.ts", "wallMs", asked)
    for (on, time, zone), ms in zip(asked, there, strict=True):
        local = datetime.datetime.fromisoformat(f"{on}T{time}").replace(tzinfo=ZoneInfo(zone))
        assert ms == local.timestamp() * 1_000, (on, time, zone)


def test_every_unit_is_read_by_a_second_library():
    """[FH3] UCUM writes powers as 10*9 and counts in braces; what remains is a unit."""
    units = pint.UnitRegistry()
    for code in UCUM_CODES - {"{INR}"}:
        assert units.parse_expression(code.replace("10*9", "1e9")).units, code


def test_every_loinc_code_has_its_check_digit():
    """[FH3] A digit wrong, or two exchanged, is no code."""
    codes = {code for code, _ in LOINC_CODES.values()}

    assert all(is_loinc_code(code) for code in codes)
    for code in codes:
        digits, check = code.split("-")
        for place in range(len(digits)):
            for wrong in set("0123456789") - {digits[place]}:
                changed = f"{digits[:place]}{wrong}{digits[place + 1 :]}-{check}"
                assert not is_loinc_code(changed), changed


def test_the_library_is_of_the_release_that_the_bundle_is_written_for():
    """FHIR-01 and FHIR-02: a later release renames the one and drops the other."""
    for absent in ("DeviceUsage", "DeviceDispense"):
        with pytest.raises(ValueError, match="not a valid"):
            get_fhir_model_class(absent)
    assert get_fhir_model_class("DeviceUseStatement")
    assert "focalDevice" in get_fhir_model_class("Procedure").model_fields


@pytest.mark.parametrize(
    ("kind", "path", "content", "words"),
    [
        ("Device", "property.0.valueQuantity.0.code", "millimetre", "no unit of UCUM"),
        ("Device", "status", "lost", "none of"),
        ("Procedure", "focalDevice.0.manipulated.reference", "urn:uuid:x", "not in the bundle"),
        ("Provenance", "target.0.reference", "urn:uuid:x", "not in the bundle"),
        ("Appointment", "end", "2026-03-29T01:30:00.000+05:00", "before it begins"),
    ],
)
def test_what_breaks_the_standard_does_not_leave(unit, told, a, kind, path, content, words):
    bundle = _fetch(unit, a)
    part = _of(bundle, kind)[0]
    *steps, last = path.split(".")
    for step in steps:
        part = part[int(step)] if isinstance(part, list) else part[step]
    part[last] = content

    with pytest.raises(FhirError, match=words):
        check_bundle(bundle)


def test_booking_desks_and_strangers_get_no_case(unit, told):
    """[FU-11]"""
    desk = unit.join("desk-c", "booking")
    assert unit.client.get("/api/fhir/case/c-1", headers=desk).status_code == 403
    assert unit.client.get("/api/fhir/case/c-1").status_code == 401


def test_a_case_that_is_none_is_refused_with_what_to_do(unit, told, a):
    answer = unit.client.get("/api/fhir/case/nobody", headers=a)
    assert_problem(answer, 422, "no case on record", "case/<id>")


def _fetch(unit, headers):
    answer = unit.client.get("/api/fhir/case/c-1", headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/fhir+json")
    return answer.json()


def _of(content, kind):
    found = (entry["resource"] for entry in content["entry"])
    return [one for one in found if one["resourceType"] == kind]
