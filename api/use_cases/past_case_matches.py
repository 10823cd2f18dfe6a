"""What of a file of past cases is on record: cases that were imported, people who may be known."""

from collections.abc import Iterable

import msgspec

from api.documents.past_case_file import Fault, PastCase, PastCaseFile, plain_text
from api.documents.past_case_records import place_in_day
from api.storage.unit_store import UnitStore
from sync.merge import RecordState


class Similar(msgspec.Struct, frozen=True):
    """A row whose patient may be somebody on record, and why."""

    line: int
    patient: str
    because: str


def leave_out_imported(store: UnitStore, file: PastCaseFile) -> PastCaseFile:
    """Make a fault of each row whose case an import has brought: a corrected file doubles none."""
    imported: dict[tuple[str, str, int], str] = {}
    for state in store.views.of_kind("case"):
        if state.is_entered_in_error or not _answers(state, "imported_in"):
            continue
        place = place_in_day(state.record)
        for patient in _answers(state, "patient"):
            person = store.views.state_of(patient)
            for number in _answers(person, "local_id") if person else ():
                for day in _answers(state, "procedure_on"):
                    imported[plain_text(number), day, place] = state.record
    cases, faults = [], list(file.faults)
    for case in file.cases:
        known = imported.get(case.place())
        if known is not None:
            sentence = (
                f"This case was imported already ({known}). Leave the row out, or undo that "
                "import first."
            )
            faults.append(Fault(case.line, "local_number", sentence))
        else:
            cases.append(case)
    return PastCaseFile(file.rows, cases, sorted(faults, key=lambda one: one.line))


def find_similar(store: UnitStore, cases: Iterable[PastCase]) -> Iterable[Similar]:
    """Yield the rows whose patient may be somebody on record: listed, never joined."""
    by_number: dict[str, list[str]] = {}
    by_name: dict[tuple[str, ...], list[str]] = {}
    for state in store.views.of_kind("patient"):
        if state.is_entered_in_error:
            continue
        for number in _answers(state, "local_id"):
            by_number.setdefault(plain_text(number), []).append(state.record)
        for family in _answers(state, "family_name"):
            for born in _answers(state, "born_on"):
                by_name.setdefault((plain_text(family), born), []).append(state.record)
    for case in cases:
        values = case.values
        for patient in by_number.get(plain_text(values["local_number"]), ()):
            yield Similar(case.line, patient, "same local number")
        born = values.get("born_on", "")
        name = (plain_text(values.get("family_name", "")), born)
        for patient in by_name.get(name, ()) if all(name) else ():
            yield Similar(case.line, patient, "same family name and birth date")


def _answers(state: RecordState, field: str) -> list[str]:
    held = state.fields.get(field)
    return [one.value for one in held.values if isinstance(one.value, str)] if held else []
