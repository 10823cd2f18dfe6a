"""Whom a list over patients handed out: the records that the note of who read it names (AU9)."""

from collections.abc import Iterable

from api.storage.unit_store import UnitStore
from api.use_cases.check_follow_up import FollowUpCheck
from api.use_cases.find_lots import LotSearch
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.list_failsafe import FailsafeList
from api.use_cases.note_access import MOST_RECORDS, NO_RECORD


def name_handed_out(patients: Iterable[str], cases: Iterable[str] = ()) -> tuple[str, ...]:
    """Return what a note names of a list: the patients, and the cases where there is room.

    Of a list without anybody it says so: a note that names nothing tells that nobody knows.
    """
    named = tuple(dict.fromkeys(one for one in patients if one))
    beside = tuple(dict.fromkeys(one for one in cases if one))
    every = (*named, *beside)
    return (every if len(every) <= MOST_RECORDS else named or beside) or (NO_RECORD,)


def name_exported(store: UnitStore) -> tuple[str, ...]:
    """Return the patients and cases that an export of all cases, made before, may name."""
    with store.transaction():
        records = store.operations.records()
    return name_handed_out(
        (one for one in records if one.startswith("patient/")),
        (one for one in records if one.startswith("case/")),
    )


def name_listed(found: FailsafeList) -> tuple[str, ...]:
    """Return those of a failsafe list."""
    return name_handed_out(
        (one.patient for one in found.patients),
        (case for one in found.patients for case in one.cases),
    )


def name_checked(found: FollowUpCheck) -> tuple[str, ...]:
    """Return those of a check of follow-up."""
    return name_handed_out((gap.patient for gap in found.gaps), (gap.case for gap in found.gaps))


def name_found(*found: LotSearch | None) -> tuple[str, ...]:
    """Return those of searches of lots."""
    return name_implants(one for search in found if search is not None for one in search.implants)


def name_implants(implants: Iterable[FoundImplant]) -> tuple[str, ...]:
    """Return those in whom implants were found."""
    rows = list(implants)
    return name_handed_out((one.patient for one in rows), (one.case for one in rows))
