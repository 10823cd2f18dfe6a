"""What was done in one case, and how it stood at its end. Pure."""

from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.documents.case_given import count_given
from api.documents.shown_case import ShownRecord, parts_of, rows_in, texts_in
from api.registry.case_mix import Found
from api.registry.told_case import ToldCase

ACTS = ("puncture", "coil_placed", "adhesive_injected")
AGENTS = ("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate")
FLOWS = ("none", "reduced", "unchanged")
# Names the file from which a case was taken over.
IMPORTED = "imported_in"
_IMPLANTS = ("coil_placed", "adhesive_injected")
_LAST_DOPPLER = "final_doppler"


def find_treated_on(told: ToldCase) -> str:
    """Return the first day of the acts, else the day the case names; "" where neither is known."""
    case = told.shown
    days = [case.civil_date(one.text("at")) for one in case.records if one.kind in ACTS]
    found = min((day for day in days if day), default="") or case.day()
    return found if found and is_civil_date(found) and found <= case.on else ""


def tell_treatment(told: ToldCase) -> Found:
    """Return what was put in, of which kind, and how much (RG4)."""
    case, doubts = told.shown, []
    if case.itself.text(IMPORTED) and not any(one.kind in _IMPLANTS for one in case.records):
        # A file without columns of them says nothing of what was put in.
        return {}, []
    given = count_given(case)
    if told.coils_in_doubt or "coil_placed" in told.torn:
        doubts.append("coils_placed")
    injections = case.of_kind("adhesive_injected")
    agents = {one.text("amount", "agent") for one in injections} - {""}
    # Two answers, a mix without its parts or no amount: the sum would be of a part.
    is_whole = not given.unknown_ul and not given.lacking and not told.injections_in_doubt
    if not is_whole or "adhesive_injected" in told.torn:
        doubts.append("adhesive_pure_ul")
    if len(agents) > 1 or any("amount" in one.conflicts for one in injections):
        doubts.append("adhesive_kind")
    agent = next(iter(agents), "") if injections else "none"
    fields: dict[str, Any] = {
        "technique": _technique(has_coils=given.coils > 0, has_adhesive=given.injections > 0),
        "coils_placed": given.coils,
        "adhesive_kind": agent if agent in (*AGENTS, "none", "") else "other",
        "adhesive_pure_ul": given.pure_ul,
        "coils_planned": _count_planned(case.itself),
    }
    if "plan" in case.itself.conflicts:
        doubts.append("coils_planned")
    if {"coil_placed", "adhesive_injected"} & told.torn:
        doubts.append("technique")
    return {
        name: value
        for name, value in fields.items()
        if name not in doubts and value not in (None, "")
    }, doubts


def tell_end(told: ToldCase) -> Found:
    """Return whether it succeeded and what flow was left, as somebody said; never guessed (RG4)."""
    case = told.shown
    record = f"step_event/{told.record.removeprefix('case/')}-close-out"
    held = next((one for one in case.records if one.record == record), None)
    if held is not None and "answers" in held.conflicts:
        return {}, ["delivered", "flow_at_end"]
    said = held.parts("answers") if held else {}
    if not said:
        signed = case.of_kind("sign_off")[-1:]
        said = signed[0].parts("outcome") if signed else {}
    found: dict[str, Any] = {}
    if said.get("technical_success") in ("yes", "no"):
        found["delivered"] = said["technical_success"] == "yes"
    flow = said.get("doppler_flow")
    last = [one for one in case.of_kind("step_event") if one.text("step") == _LAST_DOPPLER][-1:]
    if flow is None and last and last[0].text("outcome") == "not-seen":
        flow = "none"
    if flow in FLOWS:
        found["flow_at_end"] = flow
    return found, []


def _technique(*, has_coils: bool, has_adhesive: bool) -> str:
    words = [name for name, has in (("coils", has_coils), ("adhesive", has_adhesive)) if has]
    return "-and-".join(words) or "none"


def _count_planned(itself: ShownRecord) -> int | None:
    answer = parts_of(itself.parts("plan").get("answer"))
    targets = rows_in(answer.get("targets"))
    if not targets:
        return None
    return sum(len(texts_in(parts_of(one.get("coils")).get("picks"))) for one in targets)
