"""Visits of a case as FHIR R4B: a ServiceRequest for what is to be done, an Appointment if booked.

Pure. Twin of `pwa/src/clinical-rules/fhir-visits.ts`.
"""

from collections.abc import Mapping
from typing import Any

from api.documents.fhir_bundle import (
    APPOINTMENT_STATUS,
    ENDED_AFTER,
    PARTICIPANT_STATUS,
    appointment_record,
)
from api.documents.fhir_parts import Resource, Told, clean, notes, refer, write_instant
from api.documents.opaque_id import opaque_id


def write_visit(
    told: Told, slot: Mapping[str, Any] | None, subject: str
) -> list[tuple[str, Resource]]:
    """Return the resources of a visit, each with the name that its id is made from."""
    target = told.day("window", "target_on")
    first = told.day("window", "earliest_on") or target
    last = told.day("window", "latest_on") or target
    is_turned = bool(first and last) and first > last
    is_late = _is_ended_after(told, slot)
    request = {
        "resourceType": "ServiceRequest",
        "id": opaque_id(told.record),
        "status": _request_status(told, is_late=is_late),
        "intent": "plan",
        "code": {"text": told.text("label") or "Visit"},
        "subject": refer(subject),
        **(
            {"occurrencePeriod": {"start": first, "end": last}}
            if first and last and not is_turned
            else {}
        ),
        **_written(told.at_ms, "authoredOn"),
        **notes(
            [
                "The window ends before it begins. Ask the clinic." if is_turned else "",
                ENDED_AFTER if is_late and not _is_error(told) else "",
                *told.doubts(("label", "status", "window", "booking")),
            ]
        ),
    }
    found = [(told.record, request)]
    # Of one that was ended after its time nobody can say that it was called off.
    appointment = None if is_late else _appointment(told, slot, subject)
    if appointment:
        found.append((appointment_record(told.record), appointment))
    return found


def _is_ended_after(told: Told, slot: Mapping[str, Any] | None) -> bool:
    """Say whether a visit was ended, or written since, after the time it was booked for."""
    is_ended = not told.is_struck and told.text("status") == "ended"
    return is_ended and slot is not None and bool(slot["starts_ms"] < told.at_ms)


def _is_error(told: Told) -> bool:
    return told.text("ended_because") == "case-retracted"


def _request_status(told: Told, *, is_late: bool) -> str:
    if told.is_struck:
        return "entered-in-error"
    if told.has_doubt("status"):
        return "unknown"
    status = told.text("status")
    if status == "ended":
        settled = "unknown" if is_late else "revoked"
        return "entered-in-error" if _is_error(told) else settled
    return "completed" if status == "attended" else "active"


def _appointment(told: Told, slot: Mapping[str, Any] | None, subject: str) -> Resource | None:
    start = write_instant(slot["starts_ms"]) if slot else ""
    end = write_instant(slot["ends_ms"]) if slot else ""
    if slot is None or not start or not end or told.is_struck or told.parts("elsewhere"):
        return None
    is_settled = not told.has_doubt("status")
    # Asked for again: what was booked is off.
    status = APPOINTMENT_STATUS.get(told.text("status"), "cancelled") if is_settled else "pending"
    answer = PARTICIPANT_STATUS.get(status, "accepted")
    participants = [{"actor": refer(subject), "status": answer}]
    place = clean(slot["place"])
    if place:
        participants.append({"actor": {"display": place}, "status": "accepted"})
    return {
        "resourceType": "Appointment",
        "id": opaque_id(appointment_record(told.record)),
        "status": status,
        "description": "Clinic visit",
        "start": start,
        "end": end,
        **_written(told.at_ms, "created"),
        "basedOn": [refer(told.record)],
        "participant": participants,
    }


def _written(at_ms: int, name: str) -> Resource:
    at = write_instant(at_ms)
    return {name: at} if at else {}
