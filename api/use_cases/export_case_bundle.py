"""Export one case as FHIR R4B, checked before it leaves. Twin: `pwa/src/state/case-bundle.ts`."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from api.clinical_rules.clinic_facts import Slot
from api.clinical_rules.errors import RuleFileError
from api.documents.fhir_bundle import span_of
from api.documents.fhir_case import make_case_bundle
from api.documents.fhir_checks import FhirError, check_bundle
from api.documents.fhir_devices import KINDS as DEVICE_KINDS
from api.documents.fhir_observations import KINDS as OBSERVATION_KINDS
from api.record_catalogue.record_names import case_of
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.record_values import (
    civil_date_of,
    known_zone,
    parts_of,
    text_of,
    time_of_day_of,
)
from api.use_cases.unit_settings import read_unit_settings
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value
from sync.merge_policies import FieldPolicy, MergePolicy

_KINDS = (
    *OBSERVATION_KINDS,
    *DEVICE_KINDS,
    *("puncture", "flush", "complication", "sign_off", "package_opened"),
)
_CHOSEN = (MergePolicy.FURTHEST, MergePolicy.LATEST)
_MS = 1_000


def export_case_bundle(
    store: UnitStore, case: str, *, on: str, now_ms: int, time_zone: str
) -> bytes:
    """Return a case as FHIR R4B bundle, JSON text.

    Parameters
    ----------
    case : str
        `case/<id>`, or the id alone.
    on : str
        Civil date of today.
    time_zone : str
        IANA name of the zone that holds where the unit's record names none.

    Raises
    ------
    CalculationError
        No such case is on record, or the bundle would break the standard; nothing is exported.
    """
    record = case_of(case)
    minutes = read_unit_settings(store, on=on).calendar_minutes
    request = tell_case(store, record, now_ms=now_ms, minutes=minutes, time_zone=time_zone)
    try:
        return check_bundle(make_case_bundle(request))
    except (FhirError, RuleFileError) as error:
        raise CalculationError(str(error)) from error


def export_case_bundle_for(
    store: UnitStore, device: Device | None, case: str, *, on: str, now_ms: int, time_zone: str
) -> bytes:
    """Return the same to a device that reads care; None is a command on the server.

    Raises
    ------
    NotAllowedError
        It reads none: what was done to a patient is no business of booking (FU-11).
    """
    if device is not None and "care" not in device.streams:
        raise NotAllowedError("Cases are for bedside devices. Ask one of those.")
    return export_case_bundle(store, case, on=on, now_ms=now_ms, time_zone=time_zone)


def tell_case(
    store: UnitStore, record: str, *, now_ms: int, minutes: int, time_zone: str
) -> dict[str, Any]:
    """Return what `make_case_bundle` takes, as the record stands.

    Raises
    ------
    CalculationError
        No such case is on record.
    """
    with store.transaction():
        if store.erasures.is_erased(record):
            message = f"{record} was erased by the unit for good. Nothing of it is left to tell."
            raise CalculationError(message)
        itself = store.views.state_of(record) if record.startswith("case/") else None
        if itself is None:
            message = f"{record[:80]!r} is no case on record. Name one that is: case/<id>."
            raise CalculationError(message)
        patient = store.views.state_of(text_of(itself, "patient") or "patient/")
        under = [one for kind in _KINDS for one in _under(store, kind, record)]
        visits = _under(store, "visit", record)
        sessions = {
            name: store.views.state_of(name)
            for one in visits
            if (name := _booking(one).get("session")) and isinstance(name, str)
        }
        staff = store.views.of_kind("staff")
        sites = store.views.of_kind("site")
    zone = known_zone([text_of(one, "time_zone") for one in sites], time_zone)

    def tell(state: RecordState) -> dict[str, Any]:
        return _tell(state, store.catalogue.policies_of(state.record.partition("/")[0]))

    return {
        "made_ms": now_ms,
        "case": tell(itself),
        "patient": tell(patient) if patient and not patient.is_entered_in_error else None,
        "records": [tell(one) for one in under],
        "visits": [{**tell(one), "slot": _slot(one, sessions, zone, minutes)} for one in visits],
        "staff": [tell(one) for one in staff],
    }


def _under(store: UnitStore, kind: str, case: str) -> Iterable[RecordState]:
    """Return the records of a kind under a case; a struck one names it before it was struck."""
    found = []
    for state in store.views.of_kind(kind):
        named: RecordState | None = state
        if state.is_entered_in_error:
            named = store.views.state_before_strike(state.record)
        if named is not None and text_of(named, "case") == case:
            found.append(state)
    return found


def _tell(state: RecordState, policies: Mapping[str, FieldPolicy]) -> dict[str, Any]:
    values = {}
    for name, field in sorted(state.fields.items()):
        policy = policies.get(name)
        is_chosen = policy is not None and policy.merge in _CHOSEN and not field.is_conflict
        standing = field.values[-1:] if is_chosen else field.values
        values[name] = [one.value for one in standing if one.value is not None]
    stamp, by = max(
        ((held.stamp, held.by) for field in state.fields.values() for held in field.values),
        default=("", ""),
    )
    at = read_stamp(stamp)
    return {
        "record": state.record,
        "values": values,
        "is_struck": state.is_entered_in_error,
        "by": by,
        "at_ms": at.wall_ms if at else 0,
    }


def _booking(state: RecordState) -> dict[str, Any]:
    return parts_of(shown_value(state.fields.get("booking")))


def _slot(
    visit: RecordState, sessions: Mapping[str, RecordState | None], zone: str, minutes: int
) -> dict[str, Any] | None:
    """Return when and where a visit is booked; the whole day where no time of day is known."""
    booking = _booking(visit)
    on = civil_date_of(booking.get("on"))
    if not on:
        return None
    name = booking.get("session")
    session = sessions.get(name) if isinstance(name, str) else None
    held = parts_of(shown_value(session.fields.get("held"))) if session else {}
    slot = Slot(
        on=on,
        time=time_of_day_of(booking.get("time")) or time_of_day_of(held.get("starts")),
        place=text_of(session, "place") if session else "",
        session="",
        time_zone=known_zone([held.get("time_zone")], zone),
        is_held=True,
    )
    start, end = span_of(slot, minutes)
    return {"starts_ms": _ms(start), "ends_ms": _ms(end), "place": slot.place}


def _ms(at: datetime) -> int:
    return int(at.astimezone(UTC).timestamp()) * _MS
