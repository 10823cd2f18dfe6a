"""Completeness: which wanted fields of the treated cases are filled, month by month. Pure."""

from collections.abc import Iterable, Sequence

import msgspec

from api.quality.quality_rules import WantedField
from api.quality.unit_records import (
    TreatedCase,
    UnitRecords,
    is_filled,
    text_in,
    treated_cases,
    value_in,
)
from sync.merge import RecordState

UNKNOWN_MONTH = ""
EARLIER = "earlier"


class CompletenessLine(msgspec.Struct, frozen=True, kw_only=True):
    """How many cases of a month have a field.

    Parameters
    ----------
    month : str
        ``YYYY-MM`` of the treatment, "" where its day is not known; as it leaves a unit also
        ``YYYY-Qn``, ``YYYY``, or ``earlier`` for all other times summed up (`fold_months`).
    filled, disagreed, of : int
        With an answer; with two that nobody has settled; and all that are asked.
    """

    month: str
    field: str
    filled: int
    disagreed: int
    of: int


def count_completeness(
    records: UnitRecords, fields: Sequence[WantedField]
) -> list[CompletenessLine]:
    """Return the counts by month, then in the order of the fields (DQ3, DQ4).

    A month of which no case is asked for a field has no line for it: missing is never shown as 0
    of 0.
    """
    cases = treated_cases(records)
    patients = {one.record: one for one in records.standing("patient")}
    lines: list[CompletenessLine] = []
    for wanted in fields:
        of_cases = {} if wanted.kind in ("case", "patient") else records.by_case(wanted.kind)
        counts: dict[str, list[int]] = {}
        for case in cases:
            held = _held(wanted, case, patients.get(text_in(case.state, "patient")), of_cases)
            if wanted.is_every and not held:
                continue
            filled = [is_filled(value_in(one, *wanted.path)) for one in held]
            has_all = all(filled) if wanted.is_every else any(filled)
            count = counts.setdefault(case.on[:7], [0, 0, 0])
            count[0] += has_all
            count[1] += not has_all and any(wanted.path[0] in one.conflicts for one in held)
            count[2] += 1
        lines += [
            CompletenessLine(month=month, field=wanted.field, filled=a, disagreed=b, of=c)
            for month, (a, b, c) in counts.items()
        ]
    place = {one.field: number for number, one in enumerate(fields)}
    return sorted(lines, key=lambda one: (one.month, place[one.field]))


def _held(
    wanted: WantedField,
    case: TreatedCase,
    patient: RecordState | None,
    of_cases: dict[str, list[RecordState]],
) -> list[RecordState]:
    """Return the records of a case that may hold a field."""
    if wanted.kind == "case":
        return [case.state]
    if wanted.kind == "patient":
        return [patient] if patient else []
    return list(_of_analyte(of_cases.get(case.record, ()), wanted.where))


def _of_analyte(states: Iterable[RecordState], analyte: str) -> Iterable[RecordState]:
    return (one for one in states if not analyte or value_in(one, "analyte") == analyte)
