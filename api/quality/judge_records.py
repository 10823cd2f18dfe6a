"""The judgement of a unit's records by the rules of data quality: which record breaks which. Pure.

It tells records, never a name or a value: what is wrong is looked at in the record itself.
"""

import unicodedata
from collections.abc import Callable, Iterable, Iterator
from itertools import combinations

import msgspec

from api.clinical_rules.civil_date import days_between
from api.clinical_rules.package_counts import COUNTED, count_packages
from api.quality.implant_findings import find_in_implants
from api.quality.unit_records import (
    TreatedCase,
    UnitRecords,
    day_in,
    text_in,
    treated_cases,
    value_in,
    whole_in,
)
from sync.merge import RecordState

_OLDEST_YEARS = 120
# An act near midnight falls on the day beside, and the zone of the unit is not known here.
_DAYS_APART = 1
_FATES = ("open", "placed", "used", "discarded", "returned")
_ACTS = ("coil_placed", "adhesive_injected", "puncture", "package_opened")


class Finding(msgspec.Struct, frozen=True, order=True):
    """A record that breaks a rule; ``case`` and ``other`` are "" where there is none.

    ``other`` is the second record of a pair, or the field that is in conflict.
    """

    rule: str
    record: str
    case: str = ""
    other: str = ""


def judge_records(records: UnitRecords) -> list[Finding]:
    """Return every breach of a rule, each once, by rule and record.

    Notes
    -----
    Rules DQ1 and DQ2. The same for the same records, whatever their order.
    """
    cases = treated_cases(records)
    found: list[Finding] = []
    for judge in _JUDGES:
        found.extend(judge(records, cases))
    found.extend(Finding(*told) for told in find_in_implants(records, cases))
    return sorted(set(found))


def count_findings(findings: Iterable[Finding]) -> dict[str, int]:
    """Return how many findings each rule has; a rule without one is left out."""
    counts: dict[str, int] = {}
    for one in findings:
        counts[one.rule] = counts.get(one.rule, 0) + 1
    return dict(sorted(counts.items()))


def _of_days(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    acts = [(kind, records.by_case(kind)) for kind in _ACTS]
    for case in cases:
        if not case.on:
            yield Finding("day-missing", case.record, case.record)
            continue
        if case.on > records.today_on:
            yield Finding("treated-in-future", case.record, case.record)
        for _, of_cases in acts:
            for act in of_cases.get(case.record, ()):
                day = day_in(act, "at")
                if day and abs(days_between(case.on, day)) > _DAYS_APART:
                    yield Finding("act-on-other-day", act.record, case.record)


def _of_looks(records: UnitRecords, _: list[TreatedCase]) -> Iterator[Finding]:
    days = {one.record: day_in(one, "procedure_on") for one in records.standing("case")}
    for look in records.standing("visit_result"):
        case, on = text_in(look, "case"), day_in(look, "on")
        treated = days.get(case, "")
        if on and (on > records.today_on or (treated and on < treated)):
            yield Finding("look-impossible", look.record, case)
    for visit in records.standing("visit"):
        window = [day_in(visit, "window", one) for one in ("earliest_on", "target_on", "latest_on")]
        known = [day for day in window if day]
        if known != sorted(known):
            yield Finding("window-out-of-order", visit.record, text_in(visit, "case"))


def _of_laboratory(records: UnitRecords, _: list[TreatedCase]) -> Iterator[Finding]:
    for result in records.standing("lab_result"):
        if day_in(result, "result", "taken_on") > records.today_on:
            yield Finding("laboratory-in-future", result.record, text_in(result, "case"))


def _of_patients(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    patients = {one.record: one for one in records.standing("patient")}
    treated_on: dict[str, list[str]] = {}
    for case in cases:
        patient = patients.get(text_in(case.state, "patient"))
        if patient is None:
            # Two answers to whose case this is are a conflict, and told as one.
            if "patient" not in case.state.conflicts:
                yield Finding("patient-missing", case.record, case.record)
            continue
        treated_on.setdefault(patient.record, []).append(case.on or records.today_on)
        is_asked = not case.is_taken_in and "identity" not in patient.conflicts
        if is_asked and value_in(patient, "identity") != "confirmed":
            yield Finding("identity-unconfirmed", patient.record, case.record)
    for patient in patients.values():
        latest = [records.today_on, *treated_on.get(patient.record, ())]
        if _is_born_impossibly(patient, min(latest), max(latest)):
            yield Finding("born-impossible", patient.record)
    for one, other in _alike(patients.values()) | records.alike.keys():
        yield Finding("patient-twice", one, "", other)


def _is_born_impossibly(patient: RecordState, first_on: str, last_on: str) -> bool:
    text, day = text_in(patient, "born_on"), day_in(patient, "born_on")
    if not text:
        return False
    return not day or day > first_on or int(last_on[:4]) - int(day[:4]) > _OLDEST_YEARS


def _alike(patients: Iterable[RecordState]) -> set[tuple[str, str]]:
    """Return pairs with the same local number, or the same folded name and birth date."""
    groups: dict[tuple[str, ...], set[str]] = {}
    for patient in patients:
        number = _folded(text_in(patient, "local_id"))
        name = [_folded(text_in(patient, one)) for one in ("family_name", "given_name")]
        day = day_in(patient, "born_on")
        if number:
            groups.setdefault(("number", number), set()).add(patient.record)
        if all(name) and day:
            groups.setdefault(("name", *name, day), set()).add(patient.record)
    return {pair for group in groups.values() for pair in combinations(sorted(group), 2)}


def _folded(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text).casefold()
    return "".join(one for one in plain if one.isalnum())


def _of_targets(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    of_cases = records.by_case("target")
    for case in cases:
        for target in of_cases.get(case.record, ()):
            if "size" in target.conflicts:
                continue
            if whole_in(target, "size", "short_axis_um") is None:
                yield Finding("size-missing", target.record, case.record)
            elif case.is_closed and value_in(target, "size", "origin") == "estimated":
                yield Finding("size-estimated", target.record, case.record)


def _of_closing(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    signed, told = records.by_case("sign_off"), records.by_case("complication")
    for case in cases:
        if value_in(case.state, "stage") != "closed":
            continue
        if case.record not in signed and not case.is_taken_in:
            yield Finding("not-signed", case.record, case.record)
        if case.record not in told:
            yield Finding("events-not-asked", case.record, case.record)


def _of_counts(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    packages, coils = records.by_case("package_opened"), records.by_case("coil_placed")
    for case in cases:
        opened = packages.get(case.record, [])
        # A past case that was taken in from a table tells no packages: there is nothing to count.
        if not case.is_closed or not opened:
            continue
        request = {
            "packages": [
                {"id": one.record, "item": text_in(one, "item"), **_fate(one)}
                for one in opened
                if text_in(one, "item") in COUNTED
            ],
            "coils": [
                {"id": one.record, "package": text_in(one, "package")}
                for one in coils.get(case.record, ())
            ],
        }
        counted = {one["item"]: one for one in count_packages(request)["items"]}
        if not counted["coil"]["agrees"]:
            yield Finding("coil-count", case.record, case.record)


def _fate(package: RecordState) -> dict[str, str]:
    # What is none of these counts as open: somebody looks at it.
    fate = text_in(package, "fate")
    return {"fate": fate} if fate in _FATES else {}


def _as_told(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Finding]:
    """Pass on what other checks have found already."""
    for one, other in records.doubles:
        yield Finding("double-entry", one, "", other)
    for record, field in records.conflicts:
        yield Finding("open-conflict", record, "", field)
    for case in cases:
        if case.record in records.without_follow_up:
            yield Finding("no-follow-up", case.record, case.record)


_Judge = Callable[[UnitRecords, list[TreatedCase]], Iterator[Finding]]
_JUDGES: tuple[_Judge, ...] = (
    _of_days,
    _of_looks,
    _of_laboratory,
    _of_patients,
    _of_targets,
    _of_closing,
    _of_counts,
    _as_told,
)
