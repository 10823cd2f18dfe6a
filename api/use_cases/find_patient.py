"""The record of a patient by what people have at hand: the local number, or the record itself."""

from collections.abc import Callable, Iterator

from api.documents.past_case_file import plain_text
from api.record_catalogue.record_names import is_record_name
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError

_KIND = "patient/"


def find_noted_patient(
    store: UnitStore, typed: str, *, note: Callable[[tuple[str, ...]], None]
) -> str:
    """Return the record of the patient that was typed, once it is noted who is handed out.

    Parameters
    ----------
    note : callable
        Notes an access to records; to none where nobody is found.

    Raises
    ------
    CalculationError
        Nobody on record is named so, or several are.
    """
    try:
        patient = find_patient(store, typed)
    except CalculationError:
        note(())
        raise
    note((patient,))
    return patient


def find_patient(store: UnitStore, typed: str) -> str:
    """Return the record of the one patient who bears a local number, or whose record was typed.

    Blanks and capitals of a number do not count. Where people disagree on a number, each of theirs
    finds the patient.

    Raises
    ------
    CalculationError
        Nobody on record is named so, or several are.
    """
    text = typed.strip()
    with store.reading():
        if text.startswith(_KIND):
            if is_record_name(text) and store.operations.of_record(text):
                return text
            message = f"{text[:80]!r} is no patient on record. Name one: patient/<id>."
            raise CalculationError(message)
        found = sorted(_bearers(store, plain_text(text)))
    if len(found) == 1:
        return found[0]
    if found:
        message = f"{len(found)} patients bear that local number. Name one: {', '.join(found)}."
        raise CalculationError(message)
    message = "No patient on record bears that local number. Type it as the clinic desk shows it."
    raise CalculationError(message)


def _bearers(store: UnitStore, number: str) -> Iterator[str]:
    for state in store.views.of_kind("patient"):
        held = state.fields.get("local_id")
        texts = (one.value for one in held.values) if held else ()
        if number and any(isinstance(one, str) and plain_text(one) == number for one in texts):
            yield state.record
