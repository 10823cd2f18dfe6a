"""What the network's records say of a case: from the record alone, and honest about doubt."""

import msgspec
import pytest

from api.outcomes.definitions import packaged_definitions
from api.outcomes.episodes import Episode, Event, Look, judge_episode
from api.record_catalogue.catalogue import REGISTRY
from tests.unit.api.registry_unit import CASE, PATIENT, TODAY, VISIT, registry_unit

ON = "2026-03-02"


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


def closing(unit, **answers):
    unit.write("step_event/c-1-close-out", case=CASE, step="close_out", answers=answers)


def test_a_treated_case_is_told_with_its_mix_and_what_was_put_in(unit):
    """[RG3] [RG4] By hand from the entries: 1.0 ml of 5 to 8 is 5/13 pure."""
    unit.treat(indication="secondary-prophylaxis", varix_class="GOV2", cause="viral", shunt="none")
    unit.act(
        "adhesive_injected/i-1",
        f"{ON}T10:20:00+00:00",
        amount={
            "agent": "n-butyl-2-cyanoacrylate",
            "parts_adhesive": 5,
            "parts_oil": 8,
            "mix_ul": 1_300,
        },
        device={"lot": "L-0755-A"},
    )
    closing(unit, technical_success="yes", doppler_flow="reduced")

    assert unit.case() == {
        "patient": PATIENT,
        "treated_on": ON,
        "seen_on": ON,
        "asked_on": ON,
        "indication": "secondary-prophylaxis",
        "varix_class": "GOV2",
        "cause": "viral",
        "shunt": "none",
        "targets": 1,
        "short_axis_um": 14_000,
        "technique": "coils-and-adhesive",
        "coils_placed": 1,
        "adhesive_kind": "n-butyl-2-cyanoacrylate",
        "adhesive_pure_ul": 500,
        "delivered": True,
        "flow_at_end": "reduced",
        "windows_due": 0,
        "windows_kept": 0,
        "window_days": 42,
        "doubts": [],
    }
    assert unit.read("registry_patient") == [{"birth_year": 1961, "sex": "female", "doubts": []}]


def test_scores_come_from_the_engine_by_what_was_known_before(unit):
    """[RG4] Pugh 1973: all in the best band is 5 points. A later bilirubin changes nothing.

    The planted bug it has caught: the latest result taken, whenever it was.
    """
    unit.treat(ascites="none", encephalopathy="none", dialysis=False)
    for analyte, milli, of in (
        ("bilirubin", 20_000, "umol/L"),
        ("albumin", 40_000, "g/L"),
        ("inr", 1_100, "ratio"),
        ("creatinine", 80_000, "umol/L"),
        ("sodium", 139_000, "mmol/L"),
    ):
        result = {"value_milli": milli, "unit": of, "origin": "measured", "taken_on": "2026-03-01"}
        unit.write(f"lab_result/{analyte}", case=CASE, analyte=analyte, result=result)
    late = {"value_milli": 90_000, "unit": "umol/L", "origin": "measured", "taken_on": "2026-04-01"}
    unit.write("lab_result/late", case=CASE, analyte="bilirubin", result=late)
    told = unit.case()
    unit.write("case/c-1", sees=False, ascites="moderate-severe")
    unit.write("case/c-1", sees=False, dialysis=True)
    torn = unit.case()

    assert (told["child_pugh_points"], told["meld"]) == (5, 8)
    assert "child_pugh_points" not in torn
    assert "meld" not in torn
    assert torn["doubts"] == ["child_pugh_points", "meld"]


@pytest.mark.parametrize(
    ("field", "one", "other"),
    [
        ("indication", "acute-bleed", "secondary-prophylaxis"),
        ("varix_class", "GOV2", "IGV1"),
        ("cause", "viral", "alcohol"),
        ("shunt", "none", "present"),
    ],
)
def test_of_two_answers_neither_is_told(unit, field, one, other):
    """[RG3] The planted bug it has caught: left out, and told as if nobody had answered."""
    unit.treat(**{field: one})
    unit.write(CASE, sees=False, **{field: other})
    told = unit.case()

    assert field not in told
    assert told["doubts"] == [field]


def test_two_patients_of_one_case_are_a_doubt_and_neither_is_named(unit):
    """[RG3]"""
    unit.treat()
    unit.write(CASE, sees=False, patient="patient/p-2")
    told = unit.case()

    assert "patient" not in told
    assert told["doubts"] == ["patient"]
    assert unit.read("registry_patient") == []


def test_two_answers_about_a_patient_are_doubts_of_the_patient(unit):
    """[RG3]"""
    unit.treat()
    unit.write(PATIENT, sees=False, born_on="1963-01-01")
    unit.write(PATIENT, sees=False, sex="male")

    assert unit.read("registry_patient") == [{"doubts": ["birth_year", "sex"]}]


def test_what_nobody_said_of_success_is_not_guessed_from_what_was_put_in(unit):
    """[RG4] [OC1] A coil lies there, and still nobody said that it went as planned."""
    unit.treat()
    told = unit.case()

    assert "delivered" not in told
    assert "flow_at_end" not in told


def test_flow_that_the_last_doppler_did_not_see_is_told_and_an_answer_goes_before_it(unit):
    """[RG4]"""
    unit.treat()
    unit.write("step_event/d-1", case=CASE, step="final_doppler", outcome="not-seen")
    seen = unit.case()["flow_at_end"]
    closing(unit, doppler_flow="unchanged")

    assert (seen, unit.case()["flow_at_end"]) == ("none", "unchanged")


def test_two_answers_at_close_out_tell_nothing(unit):
    """[RG4]"""
    unit.treat()
    closing(unit, technical_success="yes")
    unit.write("step_event/c-1-close-out", sees=False, answers={"technical_success": "no"})
    told = unit.case()

    assert "delivered" not in told
    assert told["doubts"] == ["delivered", "flow_at_end"]


def test_a_coil_that_may_have_been_entered_twice_makes_the_sum_a_doubt(unit):
    """[RG4] [DE1] Until a person has decided."""
    unit.treat()
    unit.write(
        "coil_placed/c-1-2",
        case=CASE,
        at=f"{ON}T10:10:20+00:00",
        device={"lot": "L-0417-A", "serial": "SN-5511"},
        slot=1,
    )
    torn = unit.case()
    unit.write(
        "decision/d-1",
        case=CASE,
        about=["coil_placed/c-1-1", "coil_placed/c-1-2"],
        verdict="different",
        because="two of one box",
    )

    assert "coils_placed" not in torn
    assert torn["doubts"] == ["coils_placed"]
    assert unit.case()["coils_placed"] == 2


def test_a_case_is_told_once_it_is_over_and_was_treated(unit):
    """[RG3] A day of today is told when it is closed; a workup, and what was struck, never."""
    unit.write("case/w-1", stage="workup", procedure_on=ON)
    unit.treat("case/t-1", "patient/p-2", on=TODAY)
    unit.treat("case/y-1", "patient/p-3", on="2026-05-31")
    case = unit.write("case/s-1", stage="closed", procedure_on=ON)
    unit.act("puncture/s-1", f"{ON}T09:00:00+00:00", case="case/s-1")
    before = {one["treated_on"] for one in unit.read("registry_case")}
    unit.strike(case)

    assert before == {TODAY, "2026-05-31", ON}
    assert {one["treated_on"] for one in unit.read("registry_case")} == {TODAY, "2026-05-31"}


def test_a_case_on_the_table_is_not_told(unit):
    """[RG3] The planted bug it has caught: told with the first puncture."""
    unit.write(CASE, stage="in-procedure", procedure_on=TODAY)
    unit.act("puncture/u-1", f"{TODAY}T09:00:00+00:00")
    assert unit.read("registry_case") == []

    assert len(unit.read("registry_case", on="2026-06-02")) == 1


def test_looks_are_told_of_visits_that_took_place(unit):
    """[RG5] One opened again counts no more; one taken over says only if it is obliterated."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", doppler_flow="yes")
    unit.look("visit/v-2", on="2026-04-20", doppler_flow="no", obliterated="yes")
    unit.look("visit/v-3", on="2026-05-01", obliterated="yes")
    unit.look("visit/v-4", on="2026-05-02", obliterated="not-examined")
    unit.look("visit/v-5", on="2026-05-03", doppler_flow="yes", obliterated="yes")
    unit.look("visit/v-6", on="2026-05-04", doppler_flow="no")
    unit.write("visit/v-6", status="to-book")

    assert unit.read("registry_look") == [
        {"case": CASE, "looked_on": "2026-04-02", "flow": "yes", "doubts": []},
        {"case": CASE, "looked_on": "2026-04-20", "flow": "no", "doubts": []},
        {"case": CASE, "looked_on": "2026-05-01", "flow": "no", "doubts": []},
        {"case": CASE, "looked_on": "2026-05-03", "doubts": ["flow"]},
    ]
    assert unit.case()["seen_on"] == "2026-05-03"


def test_two_answers_at_a_look_tell_no_flow(unit):
    """[RG5] [RG3]"""
    unit.treat()
    unit.look(doppler_flow="yes")
    unit.write("visit_result/v-1", sees=False, doppler_flow="no")

    assert unit.read("registry_look") == [
        {"case": CASE, "looked_on": "2026-04-02", "doubts": ["flow"]}
    ]


def test_a_bleed_is_told_by_when_it_was(unit):
    """[RG6] Before the first act, between the acts, after the last; the first is not told.

    The planted bug it has caught: a bleed on arrival told as a rebleed.
    """
    unit.treat()
    for name, at in (
        ("before", f"{ON}T09:59:00+00:00"),
        ("within", f"{ON}T10:05:00+00:00"),
        ("after", f"{ON}T18:00:00+00:00"),
        ("late", "2026-03-30T08:00:00+00:00"),
    ):
        unit.act(f"complication/{name}", at, what="bleeding")

    assert [(one["event"], one["happened_on"]) for one in unit.read("registry_event")] == [
        ("rebleed", ON),
        ("rebleed", "2026-03-30"),
        ("other", ON),
    ]


def test_events_keep_their_doubts(unit):
    """[RG6] A day that nobody entered, one before the treatment and one after today."""
    unit.treat()
    unit.write("complication/a", case=CASE, what="embolism")
    unit.act("complication/b", "2025-03-30T08:00:00+00:00", what="fever", facts={"death": False})
    unit.act("complication/c", "2027-03-30T08:00:00+00:00", what="pain")
    unit.act("complication/d", "2026-03-03T08:00:00+00:00", what="none")

    assert [
        (one["event"], one.get("happened_on"), one["doubts"]) for one in unit.read("registry_event")
    ] == [
        ("embolism", None, ["happened_on"]),
        ("other", None, ["happened_on"]),
        ("other", None, ["happened_on"]),
    ]


def test_an_event_is_graded_by_its_facts_alone(unit):
    """[RG6] Nass 2022 (AGREE): a transfusion is grade II."""
    unit.treat()
    unit.act(
        "complication/a", "2026-03-30T08:00:00+00:00", what="bleeding", facts={"transfusion": True}
    )
    unit.act("complication/b", "2026-03-30T08:00:00+00:00", what="pain")

    assert [one.get("grade") for one in unit.read("registry_event")] == ["II", None]


def bleeds(unit):
    """Return day, source and doubts of what is told of bleeds, oldest first."""
    told = [
        (one.get("happened_on"), one.get("source"), one["doubts"])
        for one in unit.read("registry_event")
        if one.get("event", "rebleed") == "rebleed"
    ]
    return sorted(told, key=str)


def test_a_bleed_told_at_a_visit_is_a_rebleed_with_its_day_and_source(unit):
    """[RG15] "No" and "not asked" are no bleed, and what a visit to be done again said is out."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", bled={"answer": "no"})
    unit.look("visit/v-2", on="2026-04-10", bled={"answer": "not-asked"})
    bled = {"answer": "yes", "on": "2026-04-15", "source": "treatment-ulcer"}
    unit.look("visit/v-3", on="2026-04-20", bled=bled)
    unit.look("visit/v-4", on="2026-05-01", bled=bled | {"on": "2026-04-25"})
    unit.write("visit/v-4", status="to-book")

    assert bleeds(unit) == [("2026-04-15", "treatment-ulcer", [])]


def test_a_bleed_told_without_its_day_has_none(unit):
    """[RG15] The planted bug it has caught: the day of the visit told as the day of the bleed."""
    unit.treat()
    unit.look(on="2026-04-02", bled={"answer": "yes", "source": "gastric-varix"})

    assert bleeds(unit) == [(None, "gastric-varix", ["happened_on"])]


def test_a_bleed_told_before_the_treatment_or_after_today_has_no_day(unit):
    """[RG15] [RG6] On the day itself, the day before, and tomorrow."""
    unit.treat()
    for number, on in enumerate((ON, "2026-03-01", "2026-06-02"), 1):
        unit.look(f"visit/v-{number}", on="2026-04-02", bled={"answer": "yes", "on": on})

    assert bleeds(unit) == [
        (ON, None, []),
        (None, None, ["happened_on"]),
        (None, None, ["happened_on"]),
    ]


def test_of_two_answers_about_a_bleed_neither_is_told(unit):
    """[RG15] [RG3] At a visit, and of the source of one told as an event.

    The planted bug it has caught: the doubt read where answers that are settled wait.
    """
    unit.treat()
    unit.look(on="2026-04-02", bled={"answer": "yes", "on": "2026-03-20"})
    unit.write("visit_result/v-1", sees=False, bled={"answer": "no"})
    unit.act("complication/a", "2026-03-30T08:00:00+00:00", what="bleeding", bleed_source="other")
    unit.write("complication/a", sees=False, bleed_source="gastric-varix")

    assert bleeds(unit) == [
        ("2026-03-30", None, ["source"]),
        (None, None, ["event", "happened_on", "source"]),
    ]


def test_a_bleed_that_is_told_at_several_places_is_one(unit):
    """[RG15] As an event, at a visit, and by the case that treated it; a second day is another.

    The planted bug it has caught: of two sources the first one told.
    """
    unit.treat("case/c-1")
    unit.act("complication/a", "2026-03-20T08:00:00+00:00", what="bleeding")
    bled = {"answer": "yes", "on": "2026-03-20", "source": "adhesive-extrusion"}
    unit.look("visit/v-1", on="2026-04-02", bled=bled)
    unit.treat("case/c-2", on="2026-03-20", indication="acute-bleed")
    one = [told for told in unit.read("registry_event") if told["case"] == CASE]
    unit.write("complication/a", bleed_source="unknown")
    known = bleeds(unit)
    unit.write("complication/a", bleed_source="oesophageal-varix")
    unit.look("visit/v-2", on="2026-04-20", bled=bled | {"on": "2026-04-01"})

    assert {told["event"] for told in one} == {"rebleed", "reintervention"}
    assert known == [("2026-03-20", "adhesive-extrusion", [])]
    assert bleeds(unit) == [
        ("2026-03-20", None, ["source"]),
        ("2026-04-01", "adhesive-extrusion", []),
    ]


def test_an_event_entered_later_is_told_by_the_day_that_was_given_for_it(unit):
    """[RG15] Its instant says when somebody tapped. Of two days given neither is told.

    The planted bug it has caught: the day of the entry told as the day of the event.
    """
    unit.treat()
    late = "2026-05-20T08:00:00+00:00"
    unit.act("complication/a", late, what="bleeding", facts={"on": "2026-03-11"})
    unit.write("complication/a", sees=False, facts={"transfusion": True})
    unit.act("complication/b", late, what="embolism", facts={"on": "2026-03-12"})
    unit.write("complication/b", sees=False, facts={"on": "2026-03-13"})
    unit.act("complication/c", late, what="bleeding", facts={"on": "2026-03-01"})

    assert [
        (one["event"], one.get("happened_on"), one.get("grade"), one["doubts"])
        for one in unit.read("registry_event")
    ] == [
        ("rebleed", "2026-03-11", "II", []),
        ("embolism", None, None, ["happened_on"]),
    ]


def test_a_later_case_is_a_reintervention_of_each_earlier_one(unit):
    """[RG6] For an acute bleed an unplanned one and a rebleed; else nobody said."""
    unit.treat("case/c-1", on="2026-03-02")
    unit.treat("case/c-2", on="2026-03-20", indication="acute-bleed")
    unit.treat("case/c-3", on="2026-05-20")
    found = {
        (one["case"], one["event"], one["happened_on"], one.get("planned"))
        for one in unit.read("registry_event")
    }

    assert found == {
        ("case/c-1", "reintervention", "2026-03-20", False),
        ("case/c-1", "rebleed", "2026-03-20", None),
        ("case/c-1", "reintervention", "2026-05-20", None),
        ("case/c-2", "reintervention", "2026-05-20", None),
    }


def test_a_further_session_is_planned_where_the_plan_of_follow_up_holds_it(unit):
    """[RG6]"""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", retreated=True)
    unit.look("visit/v-2", on="2026-04-20", retreated=True)
    unit.write("visit/v-2", plan_visit="treatment_session")

    assert [
        (one["event"], one["happened_on"], one.get("planned"))
        for one in unit.read("registry_event")
    ] == [
        ("reintervention", "2026-04-02", None),
        ("reintervention", "2026-04-20", True),
    ]


def test_windows_are_counted_as_the_unit_itself_counts_them(unit):
    """[FM2] [FM9] Kept, late, missed, to come, and ended by no need."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02")
    unit.look("visit/v-2", on="2026-04-02")
    unit.write("visit_result/v-2", on="2026-04-03")
    unit.visit("visit/v-3", on="2026-05-31", status="to-book")
    unit.visit("visit/v-4", on=TODAY, status="to-book")
    unit.visit("visit/v-5", on="2026-04-05", status="ended", ended_because="not-needed")
    told = unit.case()
    unit.write("visit/v-4", sees=False, status="cancelled")

    assert (told["windows_due"], told["windows_kept"]) == (3, 1)
    assert unit.case()["doubts"] == ["windows_due", "windows_kept"]


def test_devices_are_counted_by_lot_and_no_serial_number_is_told(unit):
    """[RG7] [HAZ-46] Two of a lot, one of another, one unknown; a discarded needle is in nobody."""
    unit.treat()
    at = f"{ON}T10:11:00+00:00"
    unit.coil("coil_placed/b", at, serial="SN-5512", identifier="04012345000009")
    unit.coil("coil_placed/c", at, serial="SN-5513", lot="L-0522-C", identifier="04012345000009")
    unit.coil("coil_placed/d", at, serial="SN-5514", lot="SN-5514")
    for name, fate in (("n-1", "used"), ("n-2", "discarded"), ("n-3", "returned")):
        device = {"lot": f"L-06-{name}", "serial": "SN-1"}
        unit.act(f"package_opened/{name}", at, item="needle", fate=fate, device=device)
    found = unit.read("registry_implant")

    assert [
        (one["item"], one.get("identifier"), one.get("lot"), one["lot_unknown"], one["count"])
        for one in found
    ] == [
        ("coil", "04012345000009", "L-0417-A", False, 1),
        ("coil", "04012345000009", "L-0522-C", False, 1),
        ("coil", None, "L-0417-A", False, 1),
        ("coil", None, None, True, 1),
        ("needle", None, "L-06-n-1", False, 1),
    ]
    assert {one["expires_on"] for one in found if "expires_on" in one} == {"2028-04-30"}
    assert "SN-" not in str(found)


@pytest.mark.parametrize("lot", ["Greyfen", "Ada Greyfen 7", "L" + "1" * 20, "é1", "", "1\n2"])
def test_a_lot_that_no_label_says_is_told_as_unknown(unit, lot):
    """[RG7] So that a recall lists the case, and no name of a person leaves."""
    unit.treat()
    unit.coil("coil_placed/c-1-1", f"{ON}T10:10:00+00:00", lot=lot)
    (told,) = unit.read("registry_implant")

    assert "lot" not in told
    assert told["lot_unknown"] is True


def test_a_number_that_can_only_be_a_slip_is_a_doubt(unit):
    """[RG8] A telephone number in the place of an axis."""
    unit.treat()
    unit.write("target/c-1", size={"short_axis_um": 1_632_960_820})
    told = unit.case()

    assert "short_axis_um" not in told
    assert told["doubts"] == ["short_axis_um"]


def test_a_word_of_a_newer_version_is_a_doubt(unit):
    """[RG8]"""
    unit.treat(varix_class="GOV9")

    assert unit.case()["doubts"] == ["varix_class"]


def test_what_belongs_to_two_cases_is_told_of_neither(unit):
    """[RG4] The planted bug it has caught: it was told of none, and no doubt either."""
    unit.treat()
    unit.look(doppler_flow="no")
    for record in ("coil_placed/c-1-1", "visit_result/v-1"):
        unit.write(record, sees=False, case="case/c-2")
    told = unit.case()

    assert "coils_placed" not in told
    assert {"coils_placed", "technique", "looks"} <= set(told["doubts"])
    assert unit.read("registry_look") == []


def test_a_death_counts_by_a_clinicians_word_alone(unit):
    """[RG3] [FG6] On a device that holds care; anybody else's word is a doubt."""
    unit.treat()
    unit.visit(status="to-book")
    unit.write(VISIT, status="ended", ended_because="died", ended_on="2026-05-20")
    doubted = unit.read("registry_patient")
    vouch(unit)
    sound = unit.read("registry_patient")

    assert doubted == [{"birth_year": 1961, "sex": "female", "doubts": ["died_on"]}]
    assert sound == [{"birth_year": 1961, "sex": "female", "died_on": "2026-05-20", "doubts": []}]


def vouch(unit):
    """Make the writer of the story a clinician on a device that holds care."""
    with unit.store.transaction():
        unit.store.devices.keep("tablet-a", "Tablet A", "bedside", "token", joined_ms=1)
    unit.write("staff/s-1", name="Dr Wren", role="endoscopist", active=True)


def test_a_death_whose_day_nobody_told_is_a_doubt(unit):
    """[RG16] The planted bug it has caught: the day of the entry told as the day of the death."""
    unit.treat()
    unit.visit(status="to-book")
    unit.write(VISIT, status="ended", ended_because="died")
    vouch(unit)
    dayless = unit.read("registry_patient")[0]
    unit.write(VISIT, ended_on="2026-04-15")
    told = unit.read("registry_patient")[0]

    assert (dayless.get("died_on"), dayless["doubts"]) == (None, ["died_on"])
    assert (told["died_on"], told["doubts"]) == ("2026-04-15", [])


@pytest.mark.parametrize(
    ("on", "told"), [("2026-04-09", None), ("2026-04-10", "2026-04-10"), ("2026-04-11",) * 2]
)
def test_a_death_before_a_later_treatment_is_a_doubt(unit, on, told):
    """[RG16] The planted bug it has caught: told, and for the later case a death on day 0."""
    unit.treat(imported_in="past_import/i-1")
    unit.visit(on="2026-04-02", status="ended", ended_because="died", ended_on=on)
    unit.treat("case/c-2", on="2026-04-10")
    (patient,) = unit.read("registry_patient")

    assert patient.get("died_on") == told
    assert patient["doubts"] == ([] if told else ["died_on"])


def test_a_death_is_told_on_the_day_given_for_it(unit):
    """[RG16] Of an earlier record without a clinician's word too; of another case it is a doubt.

    The planted bug it has caught: the day of the entry told as the day of the death.
    """
    unit.treat("case/c-1", "patient/p-1", imported_in="past_import/i-1")
    unit.treat("case/c-2", "patient/p-2")
    for number in (1, 2):
        unit.write(
            f"visit/v-{number}",
            patient=f"patient/p-{number}",
            case=f"case/c-{number}",
            status="ended",
            ended_because="died",
            ended_on="2026-03-20",
        )
    told = unit.read("registry_patient")
    unit.write("visit/v-1", sees=False, ended_on="2026-03-21")

    assert [(one.get("died_on"), one["doubts"]) for one in told] == [
        ("2026-03-20", []),
        (None, ["died_on"]),
    ]
    assert unit.read("registry_patient")[0]["doubts"] == ["died_on"]


def test_every_field_that_is_told_is_one_of_the_catalogue(unit):
    """[RG8]"""
    unit.treat()
    known = {
        kind.id: {field.id for field in kind.fields}
        for kind in unit.store.catalogue.kinds.values()
        if kind.stream == REGISTRY
    }

    for kind, names in known.items():
        for told in unit.read(kind):
            assert set(told) <= names


def test_outcomes_are_judged_from_what_is_told(unit):
    """[OC2] [OC4] [RG5] [RG6] The records carry all that a definition asks for."""
    unit.treat()
    closing(unit, technical_success="yes", doppler_flow="none")
    unit.look(on="2026-04-02", doppler_flow="no")
    unit.act("complication/a", "2026-03-20T08:00:00+00:00", what="bleeding")
    case = unit.case()
    episode = Episode(
        unit="u",
        treated_on=case["treated_on"],
        seen_on=case["seen_on"],
        window_days=case["window_days"],
        asked_on=case["asked_on"],
        delivered=case.get("delivered"),
        flow_at_end=case.get("flow_at_end", ""),
        looks=tuple(
            Look(one["looked_on"], one.get("flow", "not-seen"))
            for one in unit.read("registry_look")
        ),
        events=tuple(
            Event(kind=one["event"], on=one["happened_on"]) for one in unit.read("registry_event")
        ),
    )

    def judge(told):
        by_outcome = packaged_definitions().by_outcome
        return {name: judge_episode(told, by) for name, by in by_outcome.items()}

    verdicts = judge(episode)
    assert verdicts["technical_success"] == verdicts["flow_gone_at_end"] == "happened"
    assert verdicts["obliteration"] == "happened"
    # It bled on day 18: until then it is known.
    assert verdicts["early_rebleed"] == verdicts["embolism"] == "did-not"
    assert verdicts["late_rebleed"] == verdicts["late_gastric_rebleed"] == "not-due"
    verdicts = judge(msgspec.structs.replace(episode, window_days=365))
    assert verdicts["late_rebleed"] == "happened"
    # Nobody said where it came from; nobody was seen for a year.
    assert verdicts["late_gastric_rebleed"] == "missing"
    assert verdicts["unplanned_reintervention"] == "missing"


def test_a_visit_entered_long_after_was_seen_on_its_own_day(unit):
    """[RG5] As those taken over from an earlier record are: the day of entry says nothing.

    The planted bug it has caught: seen until the day on which the file was taken over.
    """
    unit.treat(imported_in="past_import/i-1")
    unit.visit("visit/v-1", on="2026-03-20", status="attended")
    unit.write("visit_result/v-1", case=CASE, visit="visit/v-1", on="2026-03-20", obliterated="yes")
    one = unit.case()
    unit.visit("visit/v-2", on="2026-03-25", status="attended")

    assert one["seen_on"] == "2026-03-20"
    assert unit.case()["seen_on"] == "2026-03-25"
    assert "windows_due" not in one


def test_the_day_last_asked_is_that_of_an_answer_about_a_bleed(unit):
    """[RG18] "Not asked", no answer and two answers move it no further; a later case does.

    The planted bug it has caught: "not asked" taken for an answer.
    """
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", bled={"answer": "no"})
    unit.look("visit/v-2", on="2026-04-10", bled={"answer": "not-asked"})
    unit.look("visit/v-3", on="2026-04-11")
    unit.look("visit/v-4", on="2026-04-12", bled={"answer": "no"})
    unit.write("visit_result/v-4", sees=False, bled={"answer": "yes"})
    first = unit.case()
    unit.look("visit/v-5", on="2026-04-20", bled={"answer": "yes", "on": "2026-04-15"})
    second = unit.case()
    unit.treat("case/c-2", on="2026-05-01")
    unit.look("visit/v-6", "case/c-2", on="2026-05-10", bled={"answer": "no"})

    assert (first["asked_on"], first["seen_on"]) == ("2026-04-02", "2026-04-12")
    assert second["asked_on"] == "2026-04-20"
    assert [unit.case(name)["asked_on"] for name in (CASE, "case/c-2")] == ["2026-05-10"] * 2
    assert unit.case()["seen_on"] == "2026-05-10"


def test_a_file_that_says_nothing_of_events_or_implants_tells_nothing_of_them(unit):
    """[RG18] The planted bug it has caught: 0 coils, no adhesive, and no event at all."""
    unit.write(PATIENT, born_on="1961-07-14")
    unit.write(
        CASE, stage="closed", procedure_on=ON, patient=PATIENT, imported_in="past_import/i-1"
    )
    bare = unit.case()
    unit.write("complication/a", case=CASE, what="none")
    unit.write("coil_placed/a", case=CASE, slot=1, device={"lot": "L-0417-A"})
    told = unit.case()

    fields = ("technique", "coils_placed", "adhesive_kind", "adhesive_pure_ul")
    assert [bare.get(name) for name in fields] == [None] * 4
    assert bare["doubts"] == ["events"]
    assert [told.get(name) for name in fields] == ["coils", 1, "none", 0]
    assert told["doubts"] == []


def test_a_bleed_told_under_a_later_case_is_one_of_the_earlier_too(unit):
    """[RG6] The planted bug it has caught: told of the later case alone."""
    unit.treat()
    unit.treat("case/c-2", on="2026-04-10")
    bled = {"answer": "yes", "on": "2026-04-15", "source": "gastric-varix"}
    unit.look("visit/v-1", "case/c-2", on="2026-04-20", bled=bled)
    unit.act("complication/a", "2026-04-10T10:05:00+00:00", "case/c-2", what="bleeding")

    assert {
        (one["case"], one["event"], one["happened_on"], one.get("source"))
        for one in unit.read("registry_event")
    } == {
        (CASE, "reintervention", "2026-04-10", None),
        (CASE, "rebleed", "2026-04-15", "gastric-varix"),
        ("case/c-2", "rebleed", "2026-04-15", "gastric-varix"),
        ("case/c-2", "other", "2026-04-10", None),
    }


@pytest.mark.parametrize(
    ("on", "days"),
    [
        *(("2026-04-15", ["2026-04-15"]), ("2026-04-20", ["2026-04-15"])),
        ("2026-04-21", ["2026-04-15", "2026-04-21"]),
    ],
)
def test_the_bleed_that_a_later_case_treats_is_told_once(unit, on, days):
    """[RG6] On its day and five days after it; then it is another, and of no known source.

    The planted bug it has caught: the case of the day after told as a second bleed.
    """
    unit.treat()
    bled = {"answer": "yes", "on": "2026-04-15", "source": "gastric-varix"}
    unit.look("visit/v-1", on="2026-04-28", bled=bled)
    unit.treat("case/c-2", on=on, indication="acute-bleed")
    told = bleeds(unit)

    assert [one[0] for one in told if one[2] == []] == days
    assert ("2026-04-15", "gastric-varix", []) in told


def test_a_case_of_no_known_day_may_be_a_later_one(unit):
    """[RG6] The planted bug it has caught: nothing told, and so nothing happened."""
    unit.treat()
    unit.write("case/c-2", stage="closed", patient=PATIENT, indication="acute-bleed")
    unit.write("coil_placed/c-2-1", case="case/c-2", slot=1)

    assert [(one["event"], one["doubts"]) for one in unit.read("registry_event")] == [
        ("reintervention", ["happened_on"]),
        ("rebleed", ["happened_on"]),
    ]


def test_a_planned_session_with_a_case_of_its_own_stays_planned(unit):
    """[RG6] For an acute bleed it is none. The planted bug it has caught: nobody said."""
    unit.treat()
    unit.look("visit/v-2", on="2026-04-20", retreated=True)
    unit.write("visit/v-2", plan_visit="treatment_session")
    unit.treat("case/c-2", on="2026-04-20")
    (planned,) = unit.read("registry_event")
    unit.write("case/c-2", indication="acute-bleed")

    assert (planned["happened_on"], planned["planned"]) == ("2026-04-20", True)
    assert [one.get("planned") for one in unit.read("registry_event")] == [False, None]


def test_two_answers_whether_it_was_treated_again_are_a_doubt(unit):
    """[RG6] [RG3] The planted bug it has caught: told as not treated again."""
    unit.treat()
    unit.look(retreated=True)
    unit.write("visit_result/v-1", sees=False, retreated=False)

    assert unit.read("registry_event") == [{"case": CASE, "doubts": ["event", "happened_on"]}]


def test_a_window_is_due_once_it_has_closed(unit):
    """[RG19] Kept early, and still open for others: the planted bug told the kept ones alone."""
    unit.treat()
    window = {"earliest_on": "2026-05-20", "target_on": "2026-05-31", "latest_on": TODAY}
    unit.visit(status="attended", booking={"session": "", "on": "2026-05-25"})
    unit.write(VISIT, window=window)
    open_one = unit.case()
    unit.write(VISIT, window={**window, "latest_on": "2026-05-31"})
    closed = unit.case()

    assert (open_one["windows_due"], open_one["windows_kept"]) == (0, 0)
    assert (closed["windows_due"], closed["windows_kept"]) == (1, 1)


def lots(unit):
    return [(one["item"], one.get("lot"), one["count"]) for one in unit.read("registry_implant")]


def test_a_device_with_two_answers_or_another_label_has_no_lot(unit):
    """[RG7] [HAZ-46] The planted bug it has caught: the lot of the package told instead."""
    unit.treat()
    at = f"{ON}T10:05:00+00:00"
    unit.act("package_opened/k", at, item="coil", device={"lot": "L-0900-K"}, fate="used")
    unit.write("coil_placed/c-1-1", package="package_opened/k")
    one = lots(unit)
    unit.write("coil_placed/c-1-1", sees=False, device={"lot": "L-0999-X"})
    two = lots(unit)
    unit.coil("coil_placed/c-1-1", at, lot="L-0417-A", raw_label="10L-0999-X")
    other = lots(unit)
    unit.coil("coil_placed/c-1-1", at, lot="L-0417-A", raw_label="10L-0417-A")

    assert one == [("coil", "L-0417-A", 1)]
    assert two == [("coil", None, 1)]
    assert other == [("coil", None, 1)]
    assert lots(unit) == [("coil", "L-0417-A", 1)]


def test_an_opened_coil_of_which_nobody_says_where_it_went_counts(unit):
    """[RG7] [HAZ-46] Not one that was put back, nor one like a coil placed without its package.

    The planted bug it has caught: only what was placed was told.
    """
    unit.treat()
    at = f"{ON}T10:05:00+00:00"
    for name, lot, fate in (
        *(("k-1", "L-0900-K", {}), ("k-2", "L-0901-K", {"fate": "returned"})),
        ("k-3", "L-0417-A", {}),
    ):
        unit.act(f"package_opened/{name}", at, item="coil", device={"lot": lot}, **fate)

    assert lots(unit) == [("coil", "L-0417-A", 1), ("coil", "L-0900-K", 1)]
