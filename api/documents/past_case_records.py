"""Past cases as records of the catalogue: what an import writes for each row. Pure."""

from collections.abc import Iterator, Mapping
from typing import Any

from api.documents.past_case_cells import Column
from api.documents.past_case_columns import LABS
from api.documents.past_case_file import PastCase
from api.documents.past_case_implants import ADHESIVES, COILS, amount_in, device_in

Written = tuple[str, dict[str, Any]]
_ORIGIN = "earlier-record"
_CASE = ("procedure_on", "indication", "varix_class", "cause", "ascites", "encephalopathy")
_NEXT = "Next visit after an earlier treatment"
_LAST = "Earlier visit"
_END = "Follow-up ended earlier"
_CLOSE_OUT = "close_out"
_OF_DAY = "x"


def name_patient(mark: str, number: int) -> str:
    """Return the record of a patient of an import."""
    return f"patient/{mark}-{number}"


def number_in(record: str, mark: str) -> int | None:
    """Return to which patient of an import a record belongs, None where to none."""
    name = record.partition("/")[2]
    digits = name.removeprefix(f"{mark}-").partition("-")[0]
    return int(digits) if name.startswith(f"{mark}-") and digits.isdigit() else None


def place_in_day(record: str) -> int:
    """Return which case of its patient's day an import wrote: the name alone tells it."""
    place = record.rpartition("-")[2].partition(_OF_DAY)[2]
    return int(place) if place.isdigit() else 1


def name_adverse_event(case: str) -> str:
    """Return the record of what the file's column of adverse events says of a case."""
    return f"complication/{case.partition('/')[2]}-1"


def name_first_bleed(case: str) -> str:
    """Return the record of what the file's column of bleeds says of a case that bled."""
    return f"complication/{case.partition('/')[2]}-2"


def write_patient(case: PastCase, mark: str, number: int) -> Written:
    """Return the patient of a row."""
    values = case.values
    fields = {
        "local_id": values["local_number"],
        **{
            name: values[name]
            for name in ("family_name", "given_name", "born_on", "sex")
            if name in values
        },
    }
    return name_patient(mark, number), fields


def write_case(
    case: PastCase, known: Mapping[str, Column], mark: str, number: int
) -> Iterator[Written]:
    """Yield the case of a row and all that lies under it.

    Parameters
    ----------
    mark : str
        Id of the import: every record of it begins so.
    number : int
        Which patient of the import.
    """
    values, patient = case.values, name_patient(mark, number)
    place = case.place()[2]
    stem = f"{mark}-{number}-{case.line}" + (f"{_OF_DAY}{place}" if place > 1 else "")
    record = f"case/{stem}"
    fields = {name: values[name] for name in _CASE if name in values}
    if "past_bleeds" in values:
        fields["past_bleeds"] = values["past_bleeds"]
    if "weight_kg" in values:
        fields["weight_g"] = values["weight_kg"]
    origin = {"imported_in": f"past_import/{mark}"}
    yield record, {"patient": patient, "stage": "closed", **fields, **origin}
    by_quantity = {known[name].quantity: (name, value) for name, value in values.items()}
    target = f"target/{stem}-1"
    yield target, {"case": record, **_target(values, by_quantity)}
    for place, analyte in enumerate(LABS, 1):
        if analyte in by_quantity:
            header, milli = by_quantity[analyte]
            result = {
                "value_milli": milli,
                "unit": known[header].unit,
                "origin": _ORIGIN,
                "taken_on": values["labs_taken_on"],
            }
            lab = {"case": record, "analyte": analyte, "result": result}
            yield f"lab_result/{stem}-{place}", lab
    for place, name in enumerate(COILS, 1):
        if f"{name}_lot" in values:
            coil = {
                f"{what}_um": by_quantity[f"{name}_{what}"][1]
                for what in ("loop", "length")
                if f"{name}_{what}" in by_quantity
            }
            device = device_in(values, name)
            fields = {"case": record, "target": target, "slot": place, "device": device}
            yield f"coil_placed/{stem}-{place}", {**fields, **({"coil": coil} if coil else {})}
    for place, name in enumerate(ADHESIVES, 1):
        if f"{name}_lot" in values:
            amount, device = amount_in(values, name), device_in(values, name)
            fields = {"case": record, "target": target, "device": device}
            told = {**fields, **({"amount": amount} if amount else {})}
            yield f"adhesive_injected/{stem}-{place}", told
    answers = {
        asked: values[header]
        for asked, header in (("doppler_flow", "flow_at_end"), ("technical_success", "delivered"))
        if header in values
    }
    if answers:
        said = {"case": record, "step": _CLOSE_OUT, "outcome": "done", "answers": answers}
        yield f"step_event/{stem}-close-out", said
    yield from _events(values, record)
    yield from _visits(case, record, patient, stem)


def _target(values: Mapping[str, Any], by_quantity: Mapping[str, Any]) -> dict[str, Any]:
    size = {
        f"{axis}_um": by_quantity[axis][1]
        for axis in ("short_axis", "long_axis")
        if axis in by_quantity
    }
    modality = {"modality": values["size_modality"]} if "size_modality" in values else {}
    label = {"label": values.get("varix_label", "Varix A")}
    return {**label, **({"size": {**size, **modality, "origin": _ORIGIN}} if size else {})}


def _events(values: Mapping[str, Any], record: str) -> Iterator[Written]:
    """Yield the adverse event and the rebleed, each on its day alone: no time of day is made up."""
    if "adverse_event" in values:
        note = {"note": values["adverse_event_note"]} if "adverse_event_note" in values else {}
        event = {"case": record, "what": values["adverse_event"], **note}
        yield name_adverse_event(record), event | _on_day(values.get("adverse_event_on"))
    if "rebleed_on" in values:
        source = {"bleed_source": values["rebleed_source"]} if "rebleed_source" in values else {}
        bleed = {"case": record, "what": "bleeding", **source}
        yield name_first_bleed(record), bleed | _on_day(values["rebleed_on"])


def _on_day(day: str | None) -> dict[str, Any]:
    return {"facts": {"on": day}} if day else {}


def _visits(case: PastCase, record: str, patient: str, stem: str) -> Iterator[Written]:
    """Yield how follow-up stands: what was seen last, and the next act with its owner (FG2)."""
    values = case.values
    last, next_on = values.get("last_visit_on", ""), values.get("next_visit_on", "")
    if last:
        name = f"visit/{stem}-1"
        yield name, _visit(record, patient, _LAST, last) | {"status": "attended"}
        seen = values.get("last_visit_obliterated")
        found: dict[str, Any] = {"obliterated": seen} if seen else {}
        # Of one that bled the file tells the first bleed alone: of later ones it says nothing.
        if case.asks_bleeds and "rebleed_on" not in values:
            found["bled"] = {"answer": "no"}
        yield f"visit_result/{stem}-1", {"case": record, "visit": name, "on": last, **found}
    if next_on:
        label = values.get("next_visit_label", _NEXT)
        yield f"visit/{stem}-2", _visit(record, patient, label, next_on) | {"status": "to-book"}
    if "ended_because" in values:
        on, reason = values["ended_on"], values["ended_because"]
        end = {"status": "ended", "ended_because": reason, "ended_on": on}
        yield f"visit/{stem}-3", _visit(record, patient, _END, on) | end


def _visit(record: str, patient: str, label: str, on: str) -> dict[str, Any]:
    return {
        "patient": patient,
        "case": record,
        "label": label,
        "window": dict.fromkeys(("earliest_on", "target_on", "latest_on"), on),
        "owner_role": "booking",
    }
