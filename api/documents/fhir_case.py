"""One case as a FHIR R4B bundle: who, what was done, what was left inside, what was measured. Pure.

Names and codes are those of the standard (HL7 FHIR 4.3.0, a collection); words without a code
there are those of the record catalogue. What was struck is entered-in-error under its old id; of
two answers none is chosen, a note tells both. Twin of `pwa/src/clinical-rules/fhir-case.ts`.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from api.documents import fhir_devices, fhir_observations
from api.documents.fhir_bundle import LOCAL_NUMBER
from api.documents.fhir_case_visits import write_visit
from api.documents.fhir_devices import write_device
from api.documents.fhir_observations import write_observation
from api.documents.fhir_parts import (
    Resource,
    Told,
    absent_extension,
    clean,
    concept,
    entry,
    instant_ms,
    notes,
    refer,
    write_base64,
    write_instant,
)
from api.documents.opaque_id import opaque_id

STAFF = "urn:crura:staff"
_STATUS = {"workup": "preparation", "planned": "preparation", "closed": "completed"}
_ACTS = ("puncture", "coil_placed", "adhesive_injected", "flush")
_PACKAGE = "package_opened"
_OF_CASE = ("patient", "procedure_on", "indication", "varix_class")
_SIGNATURE = {"system": "urn:iso-astm:E1762-95:2013", "code": "1.2.840.10065.1.12.1.1"}
_DIGEST = re.compile(r"[0-9a-f]{64}")


def make_case_bundle(request: Mapping[str, Any]) -> dict[str, Any]:
    """Return a case as Bundle.

    Parameters
    ----------
    request : mapping
        ``made_ms``; ``case``; ``patient`` or None; ``records`` under the case; ``visits``, each
        with ``slot`` (``starts_ms``, ``ends_ms``, ``place``) or None; ``staff``. A record has
        ``record``, ``is_struck``, ``by``, ``at_ms`` of its last writing, and ``values``: every
        value that stands, by field; where the merge chooses one, that one.

    Notes
    -----
    Resources stand by kind, then by the name of their record: the same record gives the same
    bundle on every device.
    """
    case = Told(request["case"])
    patient = Told(request["patient"]) if request["patient"] else None
    under = [Told(one) for one in sorted(request["records"], key=_name)]
    # A package is no resource: it lends its label to what came out of it.
    packages = [one for one in under if one.kind == _PACKAGE]
    records = [one for one in under if one.kind != _PACKAGE]
    visits = [(Told(one), one["slot"]) for one in sorted(request["visits"], key=_name)]
    subject = patient.record if patient else ""
    devices = [one for one in records if one.kind in fhir_devices.KINDS]
    found: list[tuple[str, Resource]] = []
    if patient:
        found.append((patient.record, _patient(patient)))
    else:
        # A procedure and an observation are somebody's: of whom is not known.
        subject = f"patient of {case.record}"
        found.append((subject, _nobody(subject)))
    staff = {one["record"]: Told(one) for one in request["staff"]}
    authors = sorted({one.by for one in (case, *records) if one.by})
    found += [(one, _practitioner(one, staff.get(one))) for one in authors]
    found.append((case.record, _procedure(case, records, devices, subject)))
    found += [(one.record, write_device(one, subject, packages)) for one in devices]
    for one in records:
        if one.kind in fhir_observations.KINDS:
            observation = write_observation(one, subject)
            found += [(one.record, observation)] if observation else []
    for visit, slot in visits:
        found += write_visit(visit, slot, subject)
    told = {record for record, _ in found}
    found += _provenances(case, records, told)
    at = write_instant(request["made_ms"])
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "collection"}
    stamp = {"timestamp": at} if at else {}
    return {**bundle, **stamp, "entry": [entry(record, one) for record, one in found]}


def _name(content: Mapping[str, Any]) -> str:
    name: str = content["record"]
    return name


def _nobody(record: str) -> Resource:
    return {"resourceType": "Patient", "id": opaque_id(record), "name": [absent_extension()]}


def _patient(told: Told) -> Resource:
    resource: Resource = {"resourceType": "Patient", "id": opaque_id(told.record)}
    if told.has_doubt("local_id"):
        resource["identifier"] = [{"system": LOCAL_NUMBER, "_value": absent_extension()}]
    elif told.text("local_id"):
        resource["identifier"] = [{"system": LOCAL_NUMBER, "value": told.text("local_id")}]
    family, given = told.text("family_name"), told.text("given_name")
    if told.has_doubt("family_name") or told.has_doubt("given_name"):
        resource["name"] = [absent_extension()]
    elif family or given:
        name = {"family": family} if family else {}
        resource["name"] = [{**name, **({"given": [given]} if given else {})}]
    if told.has_doubt("sex"):
        resource["_gender"] = absent_extension()
    elif told.text("sex") in ("female", "male"):
        resource["gender"] = told.text("sex")
    if told.has_doubt("born_on"):
        resource["_birthDate"] = absent_extension()
    elif told.day("born_on"):
        resource["birthDate"] = told.day("born_on")
    return resource


def _practitioner(record: str, told: Told | None) -> Resource:
    name = told.text("name") if told else ""
    return {
        "resourceType": "Practitioner",
        "id": opaque_id(record),
        "identifier": [{"system": STAFF, "value": clean(record.removeprefix("staff/"))}],
        **({"name": [{"text": name}]} if name else {}),
    }


def _procedure(case: Told, records: list[Told], devices: list[Told], subject: str) -> Resource:
    standing = [one for one in records if not one.is_struck]
    what = concept("case.varix_class", case.text("varix_class"))
    site = what if case.text("varix_class") else {"text": "varix, class not stated"}
    reason = case.text("indication")
    events = [one for one in standing if one.kind == "complication"]
    complications = [
        {**concept("complication.what", word), **_with_note(word, one.text("note"))}
        for one in events
        if (word := one.text("what")) not in ("", "none")
    ]
    is_none = bool(events) and not complications
    focal = [
        {
            "action": {
                "coding": [{"system": "http://hl7.org/fhir/device-action", "code": "implanted"}]
            },
            "manipulated": refer(one.record),
        }
        for one in devices
        if not one.is_struck
    ]
    return {
        "resourceType": "Procedure",
        "id": opaque_id(case.record),
        "status": _status(case, standing),
        "code": {"text": "Treatment of varices guided by endoscopic ultrasound"},
        "subject": refer(subject),
        **_performed(case, standing),
        **({"reasonCode": [concept("case.indication", reason)]} if reason else {}),
        "bodySite": [site],
        **({"complication": complications} if complications else {}),
        **notes(
            [
                "No adverse event was noted." if is_none else "",
                *case.doubts(_OF_CASE),
                *(text for one in events for text in one.doubts(("what", "note"))),
            ]
        ),
        **({"focalDevice": focal} if focal else {}),
    }


def _with_note(word: str, note: str) -> Resource:
    return {"text": f"{word.replace('-', ' ')}: {note}"} if note else {}


def _status(case: Told, standing: Iterable[Told]) -> str:
    if case.is_struck:
        return "entered-in-error"
    stage = case.text("stage")
    if stage == "closed" and not case.text("imported_in"):
        # A case closes without a treatment too, and its day may be one that was only planned.
        has_acts = any(one.kind in _ACTS for one in standing)
        return "completed" if has_acts else "unknown"
    return _STATUS.get(stage, "in-progress" if stage else "unknown")


def _performed(case: Told, standing: Iterable[Told]) -> Resource:
    found = [instant_ms(one.text("at")) for one in standing if one.kind in _ACTS]
    times = [one for one in found if one is not None and write_instant(one)]
    if times:
        start, end = write_instant(min(times)), write_instant(max(times))
        return {"performedPeriod": {"start": start, "end": end}}
    day = case.day("procedure_on")
    return {"performedDateTime": day} if day else {}


def _provenances(case: Told, records: list[Told], told: set[str]) -> list[tuple[str, Resource]]:
    """Return who wrote what last, person by person, and each signature over the case."""
    found = []
    held = [one for one in (case, *records) if one.record in told and one.by]
    for author in sorted({one.by for one in held}):
        own = [one for one in held if one.by == author]
        at = write_instant(max(one.at_ms for one in own))
        if at:
            name = f"writings of {author} in {case.record}"
            agent = [{"who": refer(author)}]
            found.append((name, _provenance(name, own, at, agent)))
    for one in records:
        if one.kind != "sign_off" or one.is_struck or not one.by:
            continue
        signed = instant_ms(one.text("at"))
        at = write_instant(one.at_ms if signed is None else signed)
        if at:
            signature: Resource = {"type": [_SIGNATURE], "when": at, "who": refer(one.by)}
            digest = one.text("digest")
            if _DIGEST.fullmatch(digest):
                signature["data"] = write_base64(bytes.fromhex(digest))
            resource = _provenance(one.record, [case], at, [{"who": refer(one.by)}])
            found.append((one.record, {**resource, "signature": [signature]}))
    return found


def _provenance(name: str, targets: Iterable[Told], at: str, agents: list[Resource]) -> Resource:
    return {
        "resourceType": "Provenance",
        "id": opaque_id(name),
        "target": [refer(one.record) for one in targets],
        "recorded": at,
        "agent": agents,
    }
