"""What is wrong with coils, adhesive and needles of treated cases: lots, expiry, parts. Pure."""

from collections.abc import Iterator, Mapping

from api.quality.unit_records import (
    TreatedCase,
    UnitRecords,
    day_in,
    text_in,
    value_in,
    whole_in,
)
from sync.merge import RecordState

# Rule, record, case.
Told = tuple[str, str, str]


def find_in_implants(records: UnitRecords, cases: list[TreatedCase]) -> Iterator[Told]:
    """Yield rule, record and case of every breach among implants and needles (DQ2)."""
    packages = records.by_case("package_opened")
    of_package = {one.record: one for some in packages.values() for one in some}
    coils, aliquots = records.by_case("coil_placed"), records.by_case("adhesive_injected")
    for case in cases:
        for coil in coils.get(case.record, ()):
            package = of_package.get(text_in(coil, "package"))
            yield from _judge_label(coil, package, case)
        for aliquot in aliquots.get(case.record, ()):
            yield from _judge_label(aliquot, None, case)
            if _is_other_mix(aliquot, case.state):
                yield "adhesive-parts", aliquot.record, case.record
        for package in packages.get(case.record, ()):
            # Of coils and adhesive the act itself tells what stays in the patient.
            if text_in(package, "item") == "needle" and text_in(package, "fate") == "used":
                yield from _judge_label(package, None, case)


def _judge_label(
    act: RecordState, package: RecordState | None, case: TreatedCase
) -> Iterator[Told]:
    own, of_package = text_in(act, "device", "lot"), text_in(package, "device", "lot")
    lot = own or of_package
    if not lot:
        unknown = value_in(act, "device", "lot_unknown") or value_in(
            package, "device", "lot_unknown"
        )
        yield ("lot-unknown" if unknown is True else "lot-missing"), act.record, case.record
    if own and of_package and own.casefold() != of_package.casefold():
        yield "lot-differs", act.record, case.record
    expires = day_in(act, "device", "expires_on") or day_in(package, "device", "expires_on")
    day = case.on or day_in(act, "at")
    if expires and day and expires < day:
        yield "expired-at-case", act.record, case.record


def _is_other_mix(aliquot: RecordState, case: RecordState) -> bool:
    """Say whether an aliquot is of another agent, or of other parts, than the case plans."""
    planned, given = value_in(case, "adhesive"), value_in(aliquot, "amount")
    if not isinstance(planned, Mapping) or not isinstance(given, Mapping):
        return False
    if given.get("agent") and planned.get("agent") and given["agent"] != planned["agent"]:
        return True
    parts = [
        whole_in(state, field, part)
        for state, field in ((case, "adhesive"), (aliquot, "amount"))
        for part in ("parts_adhesive", "parts_oil")
    ]
    if any(part is None for part in parts):
        return False
    of_case, oil_of_case, of_aliquot, oil_of_aliquot = (part or 0 for part in parts)
    # As a proportion: 2 and 2 is the same mix as 1 and 1; no adhesive at all is none.
    return of_aliquot == 0 or of_case * oil_of_aliquot != of_aliquot * oil_of_case
