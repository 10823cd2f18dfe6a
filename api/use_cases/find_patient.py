"""The record of a patient by what people have at hand: the local number, or the record itself."""

from collections.abc import Callable, Iterable, Iterator

from api.documents.past_case_file import plain_text
from api.record_catalogue.record_names import is_record_name
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError

_KIND = "patient/"


def find_noted_patient(
    store: UnitStore, typed: str, *, note: Callable[[tuple[str, ...]], None]
) -> str:
    """Return the record of the one patient who bears a local number, or whose record was typed.

    Blanks and capitals of a number do not count. Where people disagree on a number, each of theirs
    finds the patient.

    Parameters
    ----------
    note : callable
        Notes an access to all records that are found, before anything is said of them (AU5).

    Raises
    ------
    CalculationError
        Nobody on record is named so, or several are.
    """
    text = typed.strip()
    with store.reading():
        found = sorted(_find(store, text))
    # Several are noted as well: the sentence that refuses names them.
    note(tuple(found))
    if len(found) == 1:
        return found[0]
    if found:
        message = f"{len(found)} patients bear that local number. Name one: {', '.join(found)}."
    elif text.startswith(_KIND):
        message = f"{text[:80]!r} is no patient on record. Name one: patient/<id>."
    else:
        message = "No patient on record bears that local number. Read it at the clinic desk."
    raise CalculationError(message)


def _find(store: UnitStore, text: str) -> Iterable[str]:
    if not text.startswith(_KIND):
        return _bearers(store, plain_text(text))
    return [text] if is_record_name(text) and store.operations.of_record(text) else []


def _bearers(store: UnitStore, number: str) -> Iterator[str]:
    for state in store.views.of_kind("patient"):
        held = state.fields.get("local_id")
        texts = (one.value for one in held.values) if held else ()
        if number and any(isinstance(one, str) and plain_text(one) == number for one in texts):
            yield state.record
