"""The failsafe list: implants and no future plan, for a second person to sign (FU-12)."""

from typing import Any, Literal

import msgspec

from api.clinical_rules.failsafe_list import (
    FailsafeRow,
    find_failsafe_rows,
    hash_failsafe_rows,
)
from api.clinical_rules.letter_settings import LetterSettings
from api.documents.csv_text import write_csv
from api.documents.printing import PrintingError, print_pdf
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.read_clinic import read_clinic
from sync.merge import RecordState, shown_value
from sync.operation import Operation, decode_body

IMPLANTS = ("coil_placed", "adhesive_injected")
CLINICIANS = ("endoscopist", "anaesthetist")
REASONS = {
    "only-past": "open visits, every date past",
    "no-visit": "no visit on record",
    "all-over": "every visit attended, none to come",
    "ended": "follow-up ended",
}
HEADER = ("number", "name", "born_on", "phone", "treated_on", "last_on", "why", "ended_because")


class ListedPatient(msgspec.Struct, frozen=True, kw_only=True):
    """One patient of the list; `treated_on` is the day of the latest implant."""

    patient: str
    cases: tuple[str, ...]
    number: str
    name: str
    born_on: str
    phone: str
    treated_on: str
    last_on: str
    why: Literal["only-past", "no-visit", "all-over", "ended"]
    ended_because: tuple[str, ...]


class Review(msgspec.Struct, frozen=True, kw_only=True):
    """The latest signature under a list, and whether today's list is the one that was signed."""

    as_of_on: str
    listed: int
    list_hash: str
    prepared_by: str
    signed_by: str


class FailsafeList(msgspec.Struct, frozen=True, kw_only=True):
    """Everybody treated and without a visit to come, on one day."""

    as_of_on: str
    list_hash: str
    patients: list[ListedPatient]
    treated: int
    csv: str
    last_review: Review | None


def list_failsafe(store: UnitStore, *, on: str, time_zone: str) -> FailsafeList:
    """Return the list of a day (FL1-FL5)."""
    with store.transaction():
        treated, treated_on = _read_treated(store)
        dead = _read_dead(store)
        patients = {state.record: state for state in store.views.of_kind("patient")}
        review = _last_review(store)
    clinic = read_clinic(store, time_zone=time_zone)
    rows = find_failsafe_rows(treated, clinic.visits, dead=dead, on=on)
    listed = [_list(row, patients.get(row.patient), treated_on) for row in rows]
    return FailsafeList(
        as_of_on=on,
        list_hash=hash_failsafe_rows(rows, on=on),
        patients=listed,
        treated=len(treated),
        csv=write_csv(HEADER, [_cells(one) for one in listed]),
        last_review=review,
    )


def list_failsafe_for(
    store: UnitStore, device: Device | None, *, on: str, time_zone: str
) -> FailsafeList:
    """Return the list to a device that reads care; None is a command on the server.

    Raises
    ------
    NotAllowedError
        It reads none: who was treated is no business of booking (FU-11).
    """
    if device is not None and "care" not in device.streams:
        raise NotAllowedError("The failsafe list is for bedside devices. Ask one of those.")
    return list_failsafe(store, on=on, time_zone=time_zone)


def print_failsafe(found: FailsafeList, settings: LetterSettings) -> bytes:
    """Return the list as PDF, with two lines to sign on.

    Raises
    ------
    CalculationError
        A name has a sign that the font lacks; the CSV holds it.
    """
    data: dict[str, Any] = {
        "title": "Treated, and no visit to come",
        "unit": settings.unit_name,
        "as_of_on": found.as_of_on,
        "treated": found.treated,
        "list_hash": found.list_hash[:16],
        "rows": [[*_cells(one)[:6], REASONS[one.why]] for one in found.patients],
    }
    try:
        return print_pdf("failsafe_list", data, on=found.as_of_on, mark=settings.training_mark)
    except PrintingError as error:
        message = f"{error} The CSV holds every name as it is."
        raise CalculationError(message) from error


def _read_treated(store: UnitStore) -> tuple[dict[str, set[str]], dict[str, str]]:
    """Return the cases with implants by patient, and the day of the latest implant by case."""
    treated_on: dict[str, str] = {}
    for kind in IMPLANTS:
        for state in store.views.of_kind(kind):
            if state.is_entered_in_error:
                continue
            day = max((value[:10] for value in _texts(state, "at")), default="")
            # A case that no device has sent yet, or none at all, is listed without a patient.
            for case in _texts(state, "case") or [""]:
                treated_on[case] = max(treated_on.get(case, ""), day)
    treated: dict[str, set[str]] = {}
    for case in treated_on:
        state_of_case = store.views.state_of(case) if case else None
        # Of two answers each is somebody who may have been treated.
        for patient in (_texts(state_of_case, "patient") if state_of_case else []) or [""]:
            treated.setdefault(patient, set()).add(case)
    return treated, treated_on


def _read_dead(store: UnitStore) -> set[str]:
    """Return whose death a clinician recorded, where nobody contradicts (FL3).

    Read on its own, entry by entry: the check of follow-up has its own way to this.
    """
    dead = set()
    for state in store.views.of_kind("visit"):
        patients, reasons = _texts(state, "patient"), _texts(state, "ended_because")
        if state.is_entered_in_error or (reasons, len(patients)) != (["died"], 1):
            continue
        if _texts(state, "status") != ["ended"]:
            continue
        standing = {
            name: {ref for one in state.fields[name].values for ref in one.references}
            for name in ("status", "ended_because")
        }
        own = [
            one.reference
            for one in store.operations.of_record(state.record)
            if _is_by_clinician(store, one)
        ]
        if all(references.intersection(own) for references in standing.values()):
            dead.update(patients)
    return dead


def _is_by_clinician(store: UnitStore, operation: Operation) -> bool:
    """Say whether a clinician wrote it on a device that may write care; a desk is no witness."""
    device = store.devices.find(operation.device)
    if device is None or "care" not in device.streams or operation.body_text is None:
        return False
    author = store.views.state_of(decode_body(operation.body_text).by)
    role = shown_value(author.fields.get("role")) if author is not None else None
    return role in CLINICIANS and author is not None and not author.is_entered_in_error


def _texts(state: RecordState, field: str) -> list[str]:
    held = state.fields.get(field)
    return [one.value for one in held.values if isinstance(one.value, str)] if held else []


def _list(
    row: FailsafeRow, patient: RecordState | None, treated_on: dict[str, str]
) -> ListedPatient:
    def said(field: str) -> str:
        return " or ".join(_texts(patient, field)) if patient else ""

    return ListedPatient(
        patient=row.patient,
        cases=row.cases,
        number=said("local_id"),
        name=", ".join(one for one in (said("family_name"), said("given_name")) if one),
        born_on=said("born_on"),
        phone=said("phone"),
        treated_on=max((treated_on[case] for case in row.cases), default=""),
        last_on=row.last_on or "",
        why=row.why,
        ended_because=row.ended_because,
    )


def _cells(one: ListedPatient) -> list[str]:
    return [
        one.number or one.patient or f"case {', '.join(one.cases)}",
        one.name,
        one.born_on,
        one.phone,
        one.treated_on,
        one.last_on,
        one.why,
        " ".join(one.ended_because),
    ]


def _last_review(store: UnitStore) -> Review | None:
    found: list[tuple[str, Review]] = []
    for state in store.views.of_kind("failsafe_review"):
        held = {name: one.values[-1] for name, one in state.fields.items() if one.values}
        values = {name: one.value for name, one in held.items()}
        if state.is_entered_in_error or not values:
            continue
        try:
            review = msgspec.convert(values, Review)
        except msgspec.ValidationError:
            # Any device may have written anything: what is no review counts for none.
            continue
        found.append((max(one.stamp for one in held.values()), review))
    return max(found, key=lambda one: one[0])[1] if found else None
