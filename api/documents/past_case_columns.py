"""Columns of a file of past cases: what each header means, and how its cells are read. Pure.

The header says the unit (``short_axis_mm`` or ``short_axis_cm``); a cell never does. Choices are
those of the record catalogue.
"""

from collections.abc import Mapping

from api.documents.past_case_cells import (
    Column,
    choice_of,
    make_column,
    read_choice,
    read_day,
    read_scaled,
    read_text,
)
from api.documents.past_case_implants import list_implant_columns, say_implant_header
from api.record_catalogue.catalogue import Catalogue

# Of the reasons of the catalogue those that end the follow-up of a case by themselves.
ENDS = ("died", "transferred", "declined")
_YES_NO = ("yes", "no")
# (quantity, header, unit of the record, least, most): bounds of plausibility, unit setting (project
# default); outside them a slip or a wrong unit is likelier than a patient.
_LABS = (
    ("bilirubin", "bilirubin_mg_dl", "mg/dL", 0, 80),
    ("bilirubin", "bilirubin_umol_l", "umol/L", 0, 1400),
    ("albumin", "albumin_g_dl", "g/dL", 0, 8),
    ("albumin", "albumin_g_l", "g/L", 8, 80),
    ("creatinine", "creatinine_mg_dl", "mg/dL", 0, 20),
    ("creatinine", "creatinine_umol_l", "umol/L", 20, 1800),
    ("inr", "inr_ratio", "ratio", 0, 20),
    ("sodium", "sodium_mmol_l", "mmol/L", 90, 190),
    ("platelets", "platelets_10_9_l", "10*9/L", 0, 2000),
    ("haemoglobin", "haemoglobin_g_l", "g/L", 25, 250),
    ("haemoglobin", "haemoglobin_g_dl", "g/dL", 2, 25),
    ("urea", "urea_mmol_l", "mmol/L", 0, 100),
    ("urea", "urea_mg_dl", "mg/dL", 0, 300),
)
LABS = tuple(dict.fromkeys(one[0] for one in _LABS))


def list_columns(catalogue: Catalogue) -> dict[str, Column]:
    """Return every column that is understood, by header."""
    found = [*_of_patient_and_case(catalogue), *_of_labs(), *list_implant_columns(catalogue)]
    return {one.header: one for one in (*found, *_of_follow_up(catalogue))}


def _of_patient_and_case(catalogue: Catalogue) -> list[Column]:
    def case_choice(field: str, example: str) -> Column:
        return make_column(field, f"case.{field}", example, choice_of(catalogue, "case", field))

    sex = choice_of(catalogue, "patient", "sex")
    return [
        make_column("local_number", "patient.local_id; needed", "TH-40171", read_text),
        make_column("family_name", "patient.family_name", "Larkwater", read_text),
        make_column("given_name", "patient.given_name", "Imelda", read_text),
        make_column("born_on", "patient.born_on", "1961-05-04", read_day),
        make_column("sex", "patient.sex", "female", sex),
        make_column("procedure_on", "case.procedure_on; needed", "2024-03-12", read_day),
        make_column(
            "case_of_day",
            "2 for the second case of a patient on one day; empty for the only or the first",
            "",
            read_scaled(1, 1, 9),
        ),
        case_choice("indication", "acute-bleed"),
        case_choice("varix_class", "GOV2"),
        case_choice("cause", "alcohol"),
        case_choice("ascites", "mild"),
        case_choice("encephalopathy", "none"),
        make_column("past_bleeds", "case.past_bleeds", "1", read_scaled(1, 0, 50)),
        make_column("weight_kg", "case.weight_g", "71.5", read_scaled(1_000, 2, 400)),
        make_column("varix_label", "target.label", "Varix A", read_text),
        *(
            make_column(
                f"{axis}_{unit}",
                f"target.size.{axis}_um",
                example,
                read_scaled(factor, 0, most),
                quantity=axis,
            )
            for axis in ("short_axis", "long_axis")
            for unit, factor, most, example in (("mm", 1_000, 80, "17"), ("cm", 10_000, 8, ""))
        ),
        make_column(
            "size_modality",
            "target.size.modality",
            "ultrasound",
            choice_of(catalogue, "target", "size", "modality"),
        ),
    ]


def _of_labs() -> list[Column]:
    examples = {"bilirubin_umol_l": "34", "albumin_g_l": "31", "inr_ratio": "1.4"}
    return [
        make_column("labs_taken_on", "lab_result.result.taken_on", "2024-03-10", read_day),
        *(
            make_column(
                header,
                "lab_result.result.value_milli",
                examples.get(header, ""),
                read_scaled(1_000, least, most),
                quantity=quantity,
                unit=unit,
            )
            for quantity, header, unit, least, most in _LABS
        ),
    ]


def _of_follow_up(catalogue: Catalogue) -> list[Column]:
    event = choice_of(catalogue, "complication", "what")
    obliterated = choice_of(catalogue, "visit_result", "obliterated")
    source = choice_of(catalogue, "complication", "bleed_source")
    end = read_choice(ENDS)
    flow = choice_of(catalogue, "registry_case", "flow_at_end")
    return [
        make_column(
            "delivered", "what was planned was put in: yes or no", "yes", read_choice(_YES_NO)
        ),
        make_column(
            "flow_at_end", "Doppler flow in the varix at the end of the procedure", "none", flow
        ),
        make_column(
            "adverse_event",
            "complication.what; none where there was none: one empty cell, and no adverse event "
            "of the file counts",
            "none",
            event,
        ),
        make_column("adverse_event_on", "complication.facts.on", "", read_day),
        make_column("adverse_event_note", "complication.note", "", read_text),
        make_column(
            "rebleed_on",
            "first bleed after the day of the procedure; empty: none until the last visit; "
            "without that visit it counts for nothing",
            "2024-09-02",
            read_day,
        ),
        make_column("rebleed_source", "complication.bleed_source", "treatment-ulcer", source),
        make_column("last_visit_on", "visit_result.on", "2025-03-10", read_day),
        make_column("last_visit_obliterated", "visit_result.obliterated", "yes", obliterated),
        make_column("next_visit_on", "visit.window: when the patient is next seen", "", read_day),
        make_column("next_visit_label", "visit.label", "", read_text),
        make_column("ended_because", "visit.ended_because; a clinician confirms it later", "", end),
        make_column("ended_on", "visit.ended_on: day of the death, or since when", "", read_day),
    ]


def say_unknown_header(header: str, known: Mapping[str, Column]) -> str:
    """Return what to do about a header that is not understood."""
    alike = sorted(name for name in known if name.startswith(f"{header}_"))
    if alike and any(known[name].quantity == header for name in alike):
        return f"Say the unit in the header: {' or '.join(alike)}."
    return (
        say_implant_header(header)
        or "Take the headers of the template (crura import-cases --template), or leave it out."
    )
