"""Ask a unit's whole record what is missing or cannot be, and who mends it (DM-03, DM-04)."""

from collections.abc import Iterable

import msgspec

from api.quality.completeness import CompletenessLine, count_completeness
from api.quality.judge_records import Finding, count_findings, judge_records
from api.quality.quality_rules import Fixer, QualityRule, Severity, packaged_quality_rules
from api.quality.unit_records import KINDS, Likeness, UnitRecords, text_in, treated_cases
from api.registry.fold_months import fold_months
from api.storage.device_store import ROLE_STREAMS, Device
from api.storage.unit_store import UnitStore
from api.use_cases.alike_patients import find_alike_patients
from api.use_cases.check_follow_up import check_follow_up
from api.use_cases.list_decisions import list_double_entries

# It reads what a tablet at the bedside reads, and is none.
_READER = Device("", "", "bedside", None)
# Unit setting (project default).
ANEW_AFTER_MS = 3_600_000
# Unit setting (project default): further back the months are told as one.
_YEARS_BY_MONTH = 4
_FACT = "quality told to the hub"


class RuleCount(msgspec.Struct, frozen=True, kw_only=True):
    """One rule and how many records break it; the rules of one unit stand in the file's order."""

    rule: str
    severity: Severity
    fixer: Fixer
    sentence: str
    found: int


class RecordToMend(msgspec.Struct, frozen=True, kw_only=True):
    """A record that breaks a rule, and what leads a person to it.

    ``number`` is the patient's local number, ``on`` the day of treatment, "" where unknown or not
    told; ``other`` a second record or the field that is in conflict. ``likeness`` is told of two
    patients that may be one.
    """

    rule: str
    record: str
    other: str
    case: str
    patient: str
    number: str
    on: str
    likeness: Likeness | None = None


class QualityReport(msgspec.Struct, frozen=True, kw_only=True):
    """The quality of a unit's data on a day; ``cases`` is how many treated cases were judged."""

    as_of_on: str
    cases: int
    rules: list[RuleCount]
    to_mend: list[RecordToMend]
    completeness: list[CompletenessLine]


class QualityCounts(msgspec.Struct, frozen=True, kw_only=True):
    """The part of it that may leave the unit: counts alone (DQ4).

    ``cases`` and ``completeness`` are those of the first count in a month: told as they grow, they
    would tell when each case was treated.
    """

    cases: int
    quality: dict[str, int]
    completeness: tuple[CompletenessLine, ...]


class _Kept(msgspec.Struct, frozen=True, kw_only=True):
    """The counts as last made: on which day and what they rest on."""

    on: str
    made_ms: int
    release: int
    heads: dict[str, int]
    counts: QualityCounts


def report_quality(
    store: UnitStore, *, on: str, with_records: bool = True, with_days: bool = True
) -> QualityReport:
    """Return what of a unit's record is to be mended, by whom, and how complete it is.

    Parameters
    ----------
    on : str
        Civil date of today.
    with_records : bool
        Name the records; without it counts alone are told.
    with_days : bool
        Tell the day of treatment, which is for who reads clinical fields.
    """
    records = gather_records(store, on=on)
    rules = packaged_quality_rules()
    found = judge_records(records)
    counts = count_findings(found)
    return QualityReport(
        as_of_on=on,
        cases=len(treated_cases(records)),
        rules=[_count(rule, counts.get(rule.rule, 0)) for rule in rules.rules.values()],
        to_mend=_tell(records, found, with_days=with_days) if with_records else [],
        completeness=count_completeness(records, rules.fields),
    )


def count_quality(store: UnitStore, *, on: str) -> QualityCounts:
    """Return the counts that a unit tells its hub; no record, no day of a case."""
    report = report_quality(store, on=on, with_records=False)
    # So that a report of a unit of many years stays one request.
    first = f"{int(on[:4]) - _YEARS_BY_MONTH}{on[4:7]}"
    return QualityCounts(
        cases=report.cases,
        quality={one.rule: one.found for one in report.rules if one.found},
        completeness=tuple(fold_months(report.completeness, from_month=first)),
    )


def recent_counts(store: UnitStore, *, on: str, now_ms: int) -> QualityCounts:
    """Return the counts for the hub, made anew once an hour where anything was written since.

    A unit of many cases takes seconds to judge, and tells its hub every few minutes.
    """
    with store.transaction():
        heads = store.operations.heads(ROLE_STREAMS["bedside"])
        kept = store.fact(_FACT)
    told = msgspec.json.decode(kept, type=_Kept) if kept else None
    if told is not None and told.on == on and told.release == _release(store):
        is_fresh = 0 <= now_ms - told.made_ms < ANEW_AFTER_MS
        if told.heads == heads or is_fresh:
            return told.counts
    counts = count_quality(store, on=on)
    is_same_release = told is not None and told.release == _release(store)
    if told is not None and is_same_release and told.on[: len("2026-01")] == on[: len("2026-01")]:
        counts = msgspec.structs.replace(
            counts, cases=told.counts.cases, completeness=told.counts.completeness
        )
    made = _Kept(on=on, made_ms=now_ms, release=_release(store), heads=heads, counts=counts)
    with store.transaction():
        store.keep_fact(_FACT, msgspec.json.encode(made).decode())
    return counts


def _release(store: UnitStore) -> int:
    return store.catalogue.version * 1_000 + packaged_quality_rules().version


def gather_records(store: UnitStore, *, on: str) -> UnitRecords:
    """Return what the rules are asked of, read kind by kind, so that a push waits for none long."""
    states = {}
    for kind in KINDS:
        with store.transaction():
            states[kind] = store.views.of_kind(kind)
    with store.transaction():
        conflicts = [
            (one.record, one.field) for one in store.views.conflicts(ROLE_STREAMS["bedside"])
        ]
    gaps = check_follow_up(store, on=on).gaps
    return UnitRecords(
        states=states,
        today_on=on,
        doubles=[one.records for one in list_double_entries(store, _READER)],
        conflicts=conflicts,
        alike=find_alike_patients(states["patient"]),
        without_follow_up={one.case for one in gaps if one.kind == "no-plan"},
    )


def _count(rule: QualityRule, found: int) -> RuleCount:
    return RuleCount(
        rule=rule.rule,
        severity=rule.severity,
        fixer=rule.fixer,
        sentence=rule.sentence,
        found=found,
    )


def _tell(records: UnitRecords, found: Iterable[Finding], *, with_days: bool) -> list[RecordToMend]:
    """Add to each finding its case and patient, the gravest rules first."""
    place = {rule: number for number, rule in enumerate(packaged_quality_rules().rules)}
    held = {one.record: one for kind in KINDS for one in records.states[kind]}
    rows = []
    for one in found:
        own = held.get(one.record)
        named = one.case or (one.record if one.record.startswith("case/") else text_in(own, "case"))
        case = held.get(named)
        patient = (
            one.record if one.record.startswith("patient/") else text_in(case or own, "patient")
        )
        rows.append(
            RecordToMend(
                rule=one.rule,
                record=one.record,
                other=one.other,
                case=named,
                patient=patient,
                number=text_in(held.get(patient), "local_id"),
                on=text_in(case, "procedure_on") if with_days else "",
                likeness=records.alike.get((one.record, one.other)),
            )
        )
    return sorted(rows, key=lambda row: (place[row.rule], row.on, row.record, row.other))
