"""Visits as FHIR R4B: a ServiceRequest for what is to be done, an Appointment for what is booked.

Names and codes are those of the standard (HL7 FHIR 4.3.0). No finding, no name, no birth date: a
patient is a local number. A receiver that knows the number knows who it is.
"""

import datetime
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from api.clinical_rules.clinic_facts import Clinic, PatientFacts, Slot, VisitFacts
from api.documents.calendar_feed import starts_at
from api.documents.opaque_id import opaque_id

LOCAL_NUMBER = "urn:crura:local-patient-number"
APPOINTMENT_STATUS = {
    "booked": "booked",
    "attended": "fulfilled",
    "no-show": "noshow",
    "cancelled": "cancelled",
    "ended": "cancelled",
}
# Said of the patient's place in the appointment; the standard wants one for each who takes part.
PARTICIPANT_STATUS = {"booked": "needs-action", "pending": "needs-action", "cancelled": "declined"}
ENDED_AFTER = (
    "It was ended after the time it was booked for. Whether the patient came is not told here."
)
_UNDECIDED = (
    "Several answers stand for how the visit stands and nobody has decided. Ask the clinic."
)


def make_bundle(clinic: Clinic, *, now_ms: int, minutes: int) -> dict[str, Any]:
    """Return a Bundle of type collection with every visit of a known patient.

    Parameters
    ----------
    now_ms : int
        Wall clock of the export, in milliseconds.
    minutes : int
        How long an appointment lasts.
    """
    visits = [one for one in clinic.visits if one.patient in clinic.patients]
    patients = sorted({one.patient for one in visits})
    entries = [
        *(_entry(record, _patient(clinic.patients[record])) for record in patients),
        *(entry for visit in visits for entry in _entries_of(visit, minutes)),
    ]
    at = datetime.datetime.fromtimestamp(now_ms // 1_000, datetime.UTC)
    bundle: dict[str, Any] = {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": at.isoformat(),
    }
    return {**bundle, "entry": entries} if entries else bundle


def _entry(record: str, resource: dict[str, Any]) -> dict[str, Any]:
    return {"fullUrl": _url(record), "resource": resource}


def _url(record: str) -> str:
    return f"urn:uuid:{opaque_id(record)}"


def _entries_of(visit: VisitFacts, minutes: int) -> Iterator[dict[str, Any]]:
    yield _entry(visit.record, _service_request(visit))
    appointment = _appointment(visit, minutes)
    if appointment is not None:
        yield _entry(appointment_record(visit.record), appointment)


def appointment_record(visit: str) -> str:
    """Return the name by which the appointment of a visit gets its id."""
    return f"appointment of {visit}"


def _patient(patient: PatientFacts) -> dict[str, Any]:
    resource: dict[str, Any] = {"resourceType": "Patient", "id": opaque_id(patient.record)}
    if patient.local_id:
        resource["identifier"] = [{"system": LOCAL_NUMBER, "value": patient.local_id}]
    return resource


def _service_request(visit: VisitFacts) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "resourceType": "ServiceRequest",
        "id": opaque_id(visit.record),
        "status": _request_status(visit),
        "intent": "plan",
        "code": {"text": visit.label or "Visit"},
        "subject": {"reference": _url(visit.patient)},
        "authoredOn": _at_ms(visit.changed_ms),
    }
    window = visit.window
    first, last = window.earliest_on or window.target_on, window.latest_on or window.target_on
    is_turned = bool(first and last and first > last)
    if first and last and not is_turned:
        resource["occurrencePeriod"] = {"start": first, "end": last}
    is_untold = _is_ended_after(visit) and resource["status"] == "unknown"
    notes = [
        "The window ends before it begins. Ask the clinic." if is_turned else "",
        _UNDECIDED if "status" in visit.conflicts else "",
        ENDED_AFTER if is_untold else "",
    ]
    told = [{"text": one} for one in notes if one]
    return {**resource, "note": told} if told else resource


def _request_status(visit: VisitFacts) -> str:
    if "status" in visit.conflicts:
        return "unknown"
    if visit.status == "ended":
        settled = "unknown" if _is_ended_after(visit) else "revoked"
        return "entered-in-error" if visit.ended_because == "case-retracted" else settled
    return "completed" if visit.status == "attended" else "active"


def _last_slot(visit: VisitFacts) -> Slot | None:
    return visit.rivals[-1] if visit.rivals else visit.slot


def _is_ended_after(visit: VisitFacts) -> bool:
    """Say whether a visit was ended on the day it was booked for, or later."""
    slot = _last_slot(visit)
    is_ended = visit.status == "ended" and "status" not in visit.conflicts
    return is_ended and slot is not None and slot.on <= visit.ended_on


def _appointment(visit: VisitFacts, minutes: int) -> dict[str, Any] | None:
    """Return the appointment of a visit, None where none is booked or nothing tells of it."""
    slot = _last_slot(visit)
    # Of one that was ended after its time nobody can say that it was called off.
    if slot is None or visit.is_elsewhere or _is_ended_after(visit):
        return None
    is_settled = not visit.rivals and "status" not in visit.conflicts
    status = APPOINTMENT_STATUS.get(visit.status) if is_settled else "pending"
    if status is None:
        # Asked for again: what was booked is off.
        status = "cancelled"
    start, end = span_of(slot, minutes)
    answer = PARTICIPANT_STATUS.get(status, "accepted")
    participants: list[dict[str, Any]] = [
        {"actor": {"reference": _url(visit.patient)}, "status": answer}
    ]
    if slot.place:
        participants.append({"actor": {"display": slot.place}, "status": "accepted"})
    return {
        "resourceType": "Appointment",
        "id": opaque_id(appointment_record(visit.record)),
        "status": status,
        "description": "Clinic visit",
        "basedOn": [{"reference": _url(visit.record)}],
        "start": start.isoformat(),
        "end": end.isoformat(),
        "minutesDuration": int((end - start).total_seconds()) // 60,
        "created": _at_ms(visit.changed_ms),
        "participant": participants,
    }


def span_of(slot: Slot, minutes: int) -> tuple[datetime.datetime, datetime.datetime]:
    """Return when it begins and ends; the whole day where no time of day is known."""
    start = starts_at(slot)
    if start is not None:
        return start, start + datetime.timedelta(minutes=minutes)
    zone = ZoneInfo(slot.time_zone)
    day = datetime.date.fromisoformat(slot.on)
    whole = [
        datetime.datetime.combine(one, datetime.time(), tzinfo=zone).astimezone(datetime.UTC)
        for one in (day, day + datetime.timedelta(days=1))
    ]
    return whole[0], whole[1]


def _at_ms(wall_ms: int) -> str:
    return datetime.datetime.fromtimestamp(wall_ms // 1_000, datetime.UTC).isoformat()
