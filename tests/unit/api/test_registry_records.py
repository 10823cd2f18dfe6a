"""What the network's records say of a case: from the record alone, and honest about doubt."""

import pytest

from api.record_catalogue.catalogue import REGISTRY
from tests.unit.api.registry_unit import CASE, PATIENT, TODAY, closing, registry_unit

ON = "2026-03-02"


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


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


@pytest.mark.parametrize(
    ("lot", "is_told"),
    [
        *(("4711083", False), ("N.4711083", False), ("471-1083", False), ("4711084", True)),
        *(("Greyfen-1961", False), ("GREYFEN1", False), ("grey-7", True), ("L-Ada-7", True)),
        *(("Muellersen7", False), ("Mullersen-7", False)),
        *(("14.07.1961", False), ("1961-07-14", False), ("X14071961", False), ("140761", False)),
        *(("07/14/61", False), ("610714", False), ("A140761", True)),
        *(("02.03.2026", False), ("260302", False), ("L20260302", False)),
        *(("03-04-1999", False), ("4.3.99", False), ("19990403", False), ("03041999", False)),
        *(("19991304", False), ("19993204", True), ("32.04.1999", True), ("13.13.99", True)),
        *(("18790403", True), ("990403", True), ("L19990403", True), ("1-2-3", True)),
        *(("0417/A", True), ("20.1234", True)),
    ],
)
def test_a_lot_that_tells_of_the_patient_is_told_as_unknown(unit, lot, is_told):
    """[RG7] [HAZ-46] A scanned wristband, a name, a day of birth or another date.

    Of two answers about the patient neither leaves. The planted bug it has caught: all that could
    stand on a label left as the lot.
    """
    unit.treat(on=ON)
    unit.write(PATIENT, local_id="4711083", family_name="Greyfen")
    unit.write(PATIENT, sees=False, family_name="Müllersen")
    unit.coil("coil_placed/c-1-1", f"{ON}T10:10:00+00:00", lot=lot)
    (told,) = unit.read("registry_implant")

    assert told.get("lot") == (lot if is_told else None)
    assert told["lot_unknown"] is not is_told


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


@pytest.mark.parametrize(
    ("packages", "injected", "told"),
    [
        ([], ["A-100", None], ["A-100", None]),
        ([], ["A-100"], ["A-100"]),
        ([], [None, None], [None]),
        (["A-100"], ["A-100", None], ["A-100"]),
        (["A-100"], ["B-200", None], ["A-100", "B-200"]),
        (["A-100"], ["Greyfen-7"], ["A-100", None]),
        (["A-100"], [("A-100", "B-200")], ["A-100", None]),
    ],
)
def test_an_injection_of_unknown_lot_is_told_unless_a_package_explains_it(
    unit, packages, injected, told
):
    """[RG7] [HAZ-46] Also where a known one stands beside it, or where its lot may not be told.

    The planted bug it has caught: of a known and an unknown lot only the known one was told.
    """
    unit.treat()
    at = f"{ON}T10:20:00+00:00"
    for place, lot in enumerate(packages):
        unit.act(f"package_opened/k-{place}", at, item="adhesive", device={"lot": lot}, fate="used")
    for place, lots_of in enumerate(injected):
        for lot in lots_of if isinstance(lots_of, tuple) else (lots_of,):
            device = {"lot": lot} if lot else {"lot_unknown": True}
            unit.act(f"adhesive_injected/a-{place}", at, sees=False, device=device)
    found = [one for one in unit.read("registry_implant") if one["item"] == "adhesive"]

    assert sorted((one.get("lot") or "") for one in found) == sorted(lot or "" for lot in told)
    assert [one["lot_unknown"] for one in found] == ["lot" not in one for one in found]


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
