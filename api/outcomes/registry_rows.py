"""Records of the registry as the statistics take them, whatever a unit wrote into them. Pure.

A value of another type than the catalogue says is left out: it is missing, and nothing fails.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date

LOOK = "look"
# The flow of a look with two answers.
TWO_FLOWS = ""
# An event of which two answers stand what it was.
UNKNOWN_EVENT = "unknown"
# In `doubts`, beside names of fields. Looks or events that may belong to another case:
LOOKS, EVENTS = "looks", "events"
# The file that a case was taken over from does not say whether there were any:
NO_BLEEDS, NO_ADVERSE_EVENTS = "bleeds", "adverse_events"
# Of a patient: what is told of the death contradicts itself, or what was seen of the living.
DEATHS = "deaths"
MORE_DOUBTS = (LOOKS, EVENTS, NO_BLEEDS, NO_ADVERSE_EVENTS, DEATHS)
_NOT_SEEN = "not-seen"
# A unit says "unknown" where somebody looked for the source and found none: nobody knows it.
_NOBODY_KNOWS = "unknown"


class PatientRow(msgspec.Struct, frozen=True):
    """A patient under a pseudonym; `born` is a year.

    Parameters
    ----------
    doubts : str
        Fields that had two answers, and `DEATHS`; parted by blanks.
    """

    record: str
    unit: str
    born: int | None = None
    sex: str = ""
    died_on: str = ""
    doubts: str = ""


class CaseRow(msgspec.Struct, frozen=True):
    """A treated case: its mix, what was done, and until when it was followed.

    Parameters
    ----------
    patient : str
        The case itself where no patient is told.
    short_axis_um : int or None
        Micrometres, of the largest target.
    adhesive_ul : int or None
        Microlitres of pure adhesive.
    delivered : int or None
        1 where what was planned was put in, 0 where it was not.
    window_days : int
        The longest time of an outcome that is over; 0 where none is, or none was told.
    asked_on : str
        The last day on which somebody asked whether it had bled; "" where none is told.
    doubts : str
        Fields that had two answers, and words of `MORE_DOUBTS`; parted by blanks.
    """

    record: str
    unit: str
    patient: str
    treated_on: str
    seen_on: str = ""
    indication: str = ""
    varix_class: str = ""
    cause: str = ""
    shunt: str = ""
    child_pugh_points: int | None = None
    meld: int | None = None
    short_axis_um: int | None = None
    technique: str = ""
    coils: int | None = None
    adhesive_kind: str = ""
    adhesive_ul: int | None = None
    delivered: int | None = None
    flow_at_end: str = ""
    windows_due: int | None = None
    windows_kept: int | None = None
    window_days: int = 0
    asked_on: str = ""
    doubts: str = ""


class PartRow(msgspec.Struct, frozen=True):
    """A look at the varix, or an event.

    Parameters
    ----------
    part : str
        "look", or what happened.
    on_day : str
        "" where nobody can say.
    told : str
        Of a look the flow, of a bleed its source; "" where nobody knows.
    planned : int or None
        1 or 0 of a reintervention.
    """

    record: str
    unit: str
    of_case: str
    part: str
    on_day: str
    told: str = ""
    planned: int | None = None


class ImplantRow(msgspec.Struct, frozen=True):
    """Pieces of one lot in one case; `expires_on` is the last day of the month as printed."""

    record: str
    unit: str
    of_case: str
    item: str
    identifier: str | None
    lot: str | None
    lot_unknown: int
    expires_on: str | None
    pieces: int


def read_patient(record: str, unit: str, fields: Mapping[str, Any]) -> PatientRow:
    """Return a row of ``registry_patient``."""
    return PatientRow(
        record,
        unit,
        born=_count(fields, "birth_year"),
        sex=_text(fields, "sex"),
        died_on=_day(fields, "died_on"),
        doubts=_words(fields, "doubts"),
    )


def read_case(record: str, unit: str, fields: Mapping[str, Any]) -> CaseRow | None:
    """Return a row of ``registry_case``; None of one that was never treated."""
    treated_on = _day(fields, "treated_on")
    if not treated_on:
        return None
    return CaseRow(
        record,
        unit,
        _text(fields, "patient") or record,
        treated_on,
        seen_on=_day(fields, "seen_on"),
        indication=_text(fields, "indication"),
        varix_class=_text(fields, "varix_class"),
        cause=_text(fields, "cause"),
        shunt=_text(fields, "shunt"),
        child_pugh_points=_count(fields, "child_pugh_points"),
        meld=_count(fields, "meld"),
        short_axis_um=_count(fields, "short_axis_um"),
        technique=_text(fields, "technique"),
        coils=_count(fields, "coils_placed"),
        adhesive_kind=_text(fields, "adhesive_kind"),
        adhesive_ul=_count(fields, "adhesive_pure_ul"),
        delivered=_answer(fields, "delivered"),
        flow_at_end=_text(fields, "flow_at_end"),
        windows_due=_count(fields, "windows_due"),
        windows_kept=_count(fields, "windows_kept"),
        window_days=_count(fields, "window_days") or 0,
        asked_on=_day(fields, "asked_on"),
        doubts=_words(fields, "doubts"),
    )


def read_look(record: str, unit: str, fields: Mapping[str, Any]) -> PartRow | None:
    """Return a row of ``registry_look``; None of one without a case.

    One of which two answers stand on the flow saw the varix, and nobody knows what it showed.
    """
    of_case = _text(fields, "case")
    if not of_case:
        return None
    is_torn = "flow" in _words(fields, "doubts").split()
    flow = TWO_FLOWS if is_torn else _text(fields, "flow") or _NOT_SEEN
    return PartRow(record, unit, of_case, LOOK, _day(fields, "looked_on"), flow)


def read_event(record: str, unit: str, fields: Mapping[str, Any]) -> PartRow | None:
    """Return a row of ``registry_event``; None of one without a case."""
    of_case, source = _text(fields, "case"), _text(fields, "source")
    if not of_case:
        return None
    event = _text(fields, "event") or UNKNOWN_EVENT
    told = "" if source == _NOBODY_KNOWS else source
    on_day = _day(fields, "happened_on")
    return PartRow(record, unit, of_case, event, on_day, told, _answer(fields, "planned"))


def read_implant(record: str, unit: str, fields: Mapping[str, Any]) -> ImplantRow | None:
    """Return a row of ``registry_implant``; None of one without a case or an item."""
    of_case, item = _text(fields, "case"), _text(fields, "item")
    if not of_case or not item:
        return None
    lot = _text(fields, "lot") or None
    count = _count(fields, "count")
    return ImplantRow(
        record,
        unit,
        of_case,
        item,
        _text(fields, "identifier") or None,
        lot,
        int(lot is None),
        _day(fields, "expires_on") or None,
        1 if count is None else count,
    )


def _text(fields: Mapping[str, Any], name: str) -> str:
    value = fields.get(name)
    return value if isinstance(value, str) else ""


def _day(fields: Mapping[str, Any], name: str) -> str:
    value = _text(fields, name)
    return value if is_civil_date(value) else ""


def _words(fields: Mapping[str, Any], name: str) -> str:
    value = fields.get(name)
    held = value if isinstance(value, list | tuple) else ()
    return " ".join(sorted(one for one in held if isinstance(one, str)))


def _count(fields: Mapping[str, Any], name: str) -> int | None:
    value = fields.get(name)
    is_count = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    return value if is_count else None


def _answer(fields: Mapping[str, Any], name: str) -> int | None:
    value = fields.get(name)
    return int(value) if isinstance(value, bool) else None
