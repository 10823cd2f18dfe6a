"""Read one case from the record as papers tell of it."""

import hashlib
from collections.abc import Iterable
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.intended_use import answer_intended_use
from api.clinical_rules.letter_settings import LetterSettings
from api.clinical_rules.rule_book import RuleBook
from api.documents.shown_case import ONE_ANSWER, ShownCase, ShownRecord
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.lay_out_case import lay_out_case
from api.use_cases.record_values import known_zone, parts_of, text_of
from sync.merge import RecordState, shown_value

# Kinds that a signature covers, as on the tablet.
SIGNED_KINDS = (
    *("lab_result", "target", "step_event", "puncture", "package_opened"),
    *("coil_placed", "adhesive_injected", "flush", "complication"),
)
UNDER_CASE = (*SIGNED_KINDS, "sign_off", "visit_result", "picture")
_UNSIGNED = "stage"


def show_case(
    store: UnitStore, record: str, settings: LetterSettings, book: RuleBook, *, on: str
) -> ShownCase:
    """Return a case as it stands.

    Parameters
    ----------
    record : str
        `case/<id>`.
    on : str
        Civil date of today.

    Raises
    ------
    CalculationError
        No such case is on record, or it was entered in error.
    """
    with store.transaction():
        if store.erasures.is_erased(record):
            message = f"{record} was erased by the unit for good. Nothing of it is left to tell."
            raise CalculationError(message)
        itself = store.views.state_of(record) if record.startswith("case/") else None
        if itself is None or itself.is_entered_in_error:
            message = f"{record[:80]!r} is no case on record. Name a case that stands: case/<id>."
            raise CalculationError(message)
        patient = store.views.state_of(text_of(itself, "patient") or "patient/")
        under = [
            state
            for kind in UNDER_CASE
            for state in store.views.of_kind(kind)
            if text_of(state, "case") == record
        ]
        visits = [one for one in store.views.of_kind("visit") if text_of(one, "case") == record]
        staff, stock, sites = (
            _standing(store.views.of_kind(kind)) for kind in ("staff", "stock_item", "site")
        )
    standing = sorted(_standing(under), key=lambda one: (_first_stamp(one), one.record))
    names = [text_of(site, "name") for site in sites]
    return ShownCase(
        on=on,
        zone=known_zone([text_of(site, "time_zone") for site in sites], "UTC"),
        itself=show_record(itself),
        patient=show_record(patient) if patient and not patient.is_entered_in_error else None,
        records=[show_record(one) for one in standing],
        visits=[show_record(one) for one in _by_name(_standing(visits))],
        staff=[show_record(one) for one in _by_name(staff)],
        stock=[show_record(one) for one in _by_name(stock)],
        unit_name=settings.unit_name or next((name for name in names if name), ""),
        unit_address=settings.unit_address,
        unit_phone=settings.unit_phone,
        outside=_outside(itself, patient, book, on=on),
        is_changed=_is_changed(itself, under),
        changed=_changed_since(itself, under),
        lay_out=_lay_out(store, record, on),
        is_training=book.is_training,
    )


def _lay_out(store: UnitStore, case: str, on: str) -> list[dict[str, Any]]:
    """Return the lines of the lay-out list; none where a plan cannot be read, for all papers."""
    try:
        made = lay_out_case(store, case, on=on)
    except CalculationError:
        return []
    return made["lines"] if made is not None else []


def show_record(state: RecordState) -> ShownRecord:
    """Return what one reads of a record; of two answers to one question neither is read."""
    kind = state.record.partition("/")[0]
    fields = sorted(state.fields.items())
    in_doubt = {
        name
        for name, field in fields
        if field.is_conflict or (kind in ONE_ANSWER and len(field.values) > 1)
    }
    latest = max(
        ((held.stamp, held.by) for field in state.fields.values() for held in field.values),
        default=("", ""),
    )
    return ShownRecord(
        record=state.record,
        shows={name: shown_value(field) for name, field in fields if name not in in_doubt},
        held={
            name: [held.value for held in field.values]
            for name, field in fields
            if len(field.values) > 1 and name not in in_doubt
        },
        conflicts=sorted(in_doubt),
        by=latest[1],
    )


def digest_of(itself: RecordState, under: Iterable[RecordState]) -> str:
    """Return the SHA-256 of the sorted references of all that a signature covers.

    Twin of `digestOf` in `pwa/src/state/close-out.ts`.
    """
    found = {
        reference
        for state in (itself, *under)
        for name, field in state.fields.items()
        if not (state is itself and name == _UNSIGNED)
        for reference in field.references
    }
    return hashlib.sha256("\n".join(sorted(found)).encode()).hexdigest()


def _is_changed(itself: RecordState, under: list[RecordState]) -> bool:
    last = _last_signature(under)
    return last is not None and text_of(last, "digest") != digest_of(itself, _covered(under))


def _changed_since(itself: RecordState, under: list[RecordState]) -> list[tuple[str, str]]:
    """Return record and field of what stands with a later stamp than the last signature, sorted.

    A signature is stamped later than all that its device knew, so whatever is later was not signed.
    """
    last = _last_signature(under)
    if last is None:
        return []
    signed_at = _first_stamp(last)
    return sorted(
        (state.record, name)
        for state in (itself, *_covered(under))
        for name, field in state.fields.items()
        if not (state is itself and name == _UNSIGNED)
        and any(held.stamp > signed_at for held in field.values)
    )


def _last_signature(under: list[RecordState]) -> RecordState | None:
    signed = [
        one for one in under if one.record.startswith("sign_off/") and not one.is_entered_in_error
    ]
    return max(signed, key=lambda one: (_first_stamp(one), one.record), default=None)


def _covered(under: list[RecordState]) -> list[RecordState]:
    return [one for one in under if one.record.partition("/")[0] in SIGNED_KINDS]


def _outside(
    itself: RecordState, patient: RecordState | None, book: RuleBook, *, on: str
) -> list[str]:
    """Return the facts that lie outside the stated use, by every value that stands (HAZ-13)."""
    planned = text_of(itself, "procedure_on")
    agents = [parts_of(one).get("agent") for one in _values(itself, "adhesive")]
    born = [one for one in _values(patient, "born_on") if isinstance(one, str)]
    request = {
        "on": planned if is_civil_date(planned) else on,
        "varix_class": [one for one in _values(itself, "varix_class") if isinstance(one, str)],
        "adhesive": [one for one in agents if isinstance(one, str)],
        "born_on": [one for one in born if is_civil_date(one)],
    }
    try:
        answer: Any = answer_intended_use(request, book)
    except ClinicalRuleError:
        # What cannot be judged gets no number.
        return ["rule_file"]
    return [one["fact"] for one in answer["outside"]]


def _values(state: RecordState | None, name: str) -> list[Any]:
    held = state.fields.get(name) if state else None
    return [one.value for one in held.values] if held else []


def _standing(states: Iterable[RecordState]) -> list[RecordState]:
    return [one for one in states if not one.is_entered_in_error]


def _by_name(states: Iterable[RecordState]) -> list[RecordState]:
    return sorted(states, key=lambda one: one.record)


def _first_stamp(state: RecordState) -> str:
    stamps = [held.stamp for field in state.fields.values() for held in field.values]
    return min(stamps, default="")
