"""Laboratory values and sizes of a case as FHIR R4B Observation. Pure.

Twin of `pwa/src/clinical-rules/fhir-observations.ts`. The LOINC code follows the unit as entered:
mass and molar concentrations have different codes. A pair that is not in the table keeps its text.
"""

from collections.abc import Mapping

from api.documents.fhir_parts import (
    Resource,
    Told,
    absent,
    amount,
    bare_amount,
    concept,
    notes,
    refer,
)
from api.documents.opaque_id import opaque_id

KINDS = ("lab_result", "target")
LOINC = "http://loinc.org"
# (analyte, unit as entered) -> LOINC code, UCUM code. Published by LOINC; each code proves itself
# by its check digit.
LOINC_CODES: Mapping[tuple[str, str], tuple[str, str]] = {
    ("bilirubin", "mg/dL"): ("1975-2", "mg/dL"),
    ("bilirubin", "umol/L"): ("14631-6", "umol/L"),
    ("albumin", "g/dL"): ("1751-7", "g/dL"),
    ("albumin", "g/L"): ("1751-7", "g/L"),
    ("creatinine", "mg/dL"): ("2160-0", "mg/dL"),
    ("creatinine", "umol/L"): ("14682-9", "umol/L"),
    ("inr", "ratio"): ("6301-6", "{INR}"),
    ("sodium", "mmol/L"): ("2951-2", "mmol/L"),
    ("platelets", "10*9/L"): ("777-3", "10*9/L"),
    ("haemoglobin", "g/L"): ("718-7", "g/L"),
    ("haemoglobin", "g/dL"): ("718-7", "g/dL"),
    ("urea", "mg/dL"): ("3094-0", "mg/dL"),
    ("urea", "mmol/L"): ("22664-7", "mmol/L"),
}
_AXES = (
    ("short_axis_um", "short axis"),
    ("long_axis_um", "long axis"),
    ("third_axis_um", "third axis"),
)
_SAID = {"lab_result": "laboratory result", "target": "size of a varix"}


def write_observation(told: Told, patient: str) -> Resource | None:
    """Return a lab value or a size as Observation; None for a target of which no size stands.

    Parameters
    ----------
    patient : str
        Record of the patient, "" where none is shown.
    """
    subject = {"subject": refer(patient)} if patient else {}
    base: Resource = {"resourceType": "Observation", "id": opaque_id(told.record)}
    if told.is_struck:
        code = {"text": _SAID[told.kind]}
        return {**base, "status": "entered-in-error", "code": code, **subject}
    if told.kind == "lab_result":
        return {**base, "status": "final", **_lab(told, subject)}
    if not told.parts("size") and not told.has_doubt("size"):
        return None
    return {**base, "status": "final", **_size(told, subject)}


def _lab(told: Told, subject: Resource) -> Resource:
    analyte, unit = told.text("analyte"), told.text("result", "unit")
    value = told.whole("result", "value_milli")
    known = LOINC_CODES.get((analyte, unit))
    code = concept("lab_result.analyte", analyte) if analyte else {"text": _SAID["lab_result"]}
    if known:
        coding = {"system": LOINC, "code": known[0]}
        code = {"coding": [coding, *code["coding"]], "text": code["text"]}
    taken = told.day("result", "taken_on")
    if value is None:
        held: Resource = {"dataAbsentReason": absent()}
    else:
        quantity = amount(value, known[1]) if known else bare_amount(value, unit)
        held = {"valueQuantity": quantity}
    return {
        "code": code,
        **subject,
        **({"effectiveDateTime": taken} if taken else {}),
        **held,
        **notes(told.doubts(("case", "analyte", "result"))),
        **_method("lab_result.result.origin", told.text("result", "origin")),
    }


def _size(told: Told, subject: Resource) -> Resource:
    axes = [
        {
            "code": {"coding": concept("target.size", part)["coding"], "text": words},
            "valueQuantity": amount(size, "mm"),
        }
        for part, words in _AXES
        if (size := told.whole("size", part)) is not None
    ]
    label, origin = told.text("label"), told.text("size", "origin")
    return {
        "code": {"coding": concept("target", "size")["coding"], "text": _SAID["target"]},
        **subject,
        **({} if axes else {"dataAbsentReason": absent()}),
        **notes(
            [
                f"Origin of the size: {origin.replace('-', ' ')}." if origin else "",
                *told.doubts(("case", "label", "size")),
            ]
        ),
        **({"bodySite": {"text": label}} if label else {}),
        **_method("target.size.modality", told.text("size", "modality")),
        **({"component": axes} if axes else {}),
    }


def _method(field: str, word: str) -> Resource:
    return {"method": concept(field, word)} if word else {}
