"""A small unit without a fault: two cases from workup to signature, each with all that is asked."""

from typing import Any

from tests.unit.api.clinic_story import Story

TODAY = "2026-09-21"
LABORATORY = (
    ("bilirubin", 20_000, "umol/L"),
    ("albumin", 35_000, "g/L"),
    ("creatinine", 90_000, "umol/L"),
    ("inr", 1_200, ""),
    ("sodium", 138_000, "mmol/L"),
    ("platelets", 90_000, "10*9/L"),
    ("haemoglobin", 110_000, "g/L"),
)
_DEVICE = {"lot": "VK4417", "expires_on": "2028-04-30"}


def tell_clean_unit(story: Story) -> None:
    """Write both cases."""
    with story.store.transaction():
        story.write("site/s", name="Upper Tarn", time_zone="Europe/London")
        story.write("staff/e", name="Wren Quillfeather", role="endoscopist", active=True)
        tell_case(story, "a", name="Greyfen", born_on="1960-02-29", on="2026-08-03")
        tell_case(story, "b", name="Otherly", born_on="1971-01-01", on="2026-09-14")


def tell_case(story: Story, one: str, *, name: str, born_on: str, on: str) -> None:
    """Write one case that lacks nothing; ``on`` is the day of treatment."""

    def write(record: str, **fields: Any) -> None:
        story.write(record, **fields)

    case, target, puncture = f"case/{one}", f"target/{one}", f"puncture/{one}"
    of = {"case": case}
    write(
        f"patient/{one}",
        family_name=name,
        given_name="Tobias",
        born_on=born_on,
        sex="female",
        local_id=f"TH-{one}",
        identity="confirmed",
    )
    write(
        case,
        patient=f"patient/{one}",
        stage="closed",
        opened_at=f"{on}T08:00:00+00:00",
        procedure_on=on,
        indication="secondary-prophylaxis",
        varix_class="GOV2",
        cause="viral",
        past_bleeds=0,
        ascites="none",
        encephalopathy="none",
        right_to_left_shunt="no",
        antithrombotics={"profile": "bsg-esge-2021", "drugs": [], "urgent": False},
        airway={"choice": "intubation", "decided_with": "staff/e"},
        consent={"given": "yes", "taken_by": "staff/e", "on": on},
        antibiotic={"given": "yes", "agent": "ceftriaxone"},
        adhesive={"agent": "n-butyl-2-cyanoacrylate", "parts_adhesive": 1, "parts_oil": 1},
    )
    for analyte, milli, unit in LABORATORY:
        result = {"value_milli": milli, "unit": unit, "origin": "measured", "taken_on": on}
        write(f"lab_result/{one}-{analyte}", analyte=analyte, result=result, **of)
    size = {"short_axis_um": 14_000, "modality": "ultrasound", "origin": "measured"}
    write(target, label="Varix A", size=size, **of)
    write(puncture, target=target, number=1, at=f"{on}T09:10:00+00:00", **of)
    packages = (
        ("needle", "used"),
        ("coil", "placed"),
        ("spare", "discarded"),
        ("adhesive", "used"),
    )
    for name_of_package, fate in packages:
        write(
            f"package_opened/{one}-{name_of_package}",
            item="coil" if name_of_package == "spare" else name_of_package,
            device=_DEVICE,
            at=f"{on}T09:09:00+00:00",
            fate=fate,
            **of,
        )
    write(
        f"coil_placed/{one}",
        target=target,
        puncture=puncture,
        package=f"package_opened/{one}-coil",
        slot=1,
        device=_DEVICE,
        at=f"{on}T09:12:00+00:00",
        **of,
    )
    # The same mix as the case plans, said by other numbers.
    amount = {
        "agent": "n-butyl-2-cyanoacrylate",
        "parts_adhesive": 5,
        "parts_oil": 5,
        "mix_ul": 1_000,
    }
    write(
        f"adhesive_injected/{one}",
        target=target,
        puncture=puncture,
        amount=amount,
        device=_DEVICE,
        # Past midnight, in the day after by the clock of another zone.
        at=f"{on}T23:59:00+00:00",
        **of,
    )
    write(f"complication/{one}", what="none", at=f"{on}T11:00:00+00:00", **of)
    write(f"sign_off/{one}", digest="0" * 64, at=f"{on}T12:00:00+00:00", **of)
    window = {"earliest_on": "2026-09-20", "target_on": "2026-10-01", "latest_on": "2026-10-20"}
    write(
        f"visit/{one}",
        patient=f"patient/{one}",
        case=case,
        plan_visit="eus_1m",
        label="Scope check",
        rule_file="follow_up/default v3",
        window=window,
        status="to-book",
        owner_role="booking",
    )
    write(f"visit_result/{one}", visit=f"visit/{one}", on="2026-09-20", doppler_flow="no", **of)
