"""What a recall touches at a unit, in numbers: the hub is told these and no more (SEC-24)."""

from collections.abc import Iterable

import msgspec

from api.use_cases.find_lots import RETURNED, LotSearch
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.recalls import OnShelf


class FoundHere(msgspec.Struct, frozen=True, kw_only=True):
    """What a notice touches here.

    Parameters
    ----------
    cases, patients : int
        With a device that the notice names, looks like or is near to: all to be looked at.
    surely, surely_cases : int
        Patients and cases with the very one that it names.
    unknown_lots : int
        Devices of whose lot nobody knows.
    """

    cases: int
    patients: int
    surely: int
    surely_cases: int
    unknown_lots: int
    on_shelf: int


def rows_of(found: Iterable[LotSearch]) -> list[FoundImplant]:
    """Return what several searches of one notice found, each device of each owner once."""
    rows = (one for some in found for one in some.implants)
    return list({(one.record, one.case, one.patient): one for one in rows}.values())


def count_found(rows: Iterable[FoundImplant], shelf: Iterable[OnShelf]) -> FoundHere:
    """Return in numbers what was found; what was returned unused touches nobody."""
    borne = [one for one in rows if one.fate != RETURNED]
    touched = [one for one in borne if one.group != "unknown"]
    exact = [one for one in touched if one.group == "same"]

    def patients(some: Iterable[FoundImplant]) -> int:
        # Who has no patient is somebody all the same.
        return len({one.patient or one.case or one.record for one in some})

    def cases(some: Iterable[FoundImplant]) -> int:
        return len({one.case or one.record for one in some})

    return FoundHere(
        cases=cases(touched),
        patients=patients(touched),
        surely=patients(exact),
        surely_cases=cases(exact),
        unknown_lots=len({one.record for one in borne if one.group == "unknown"}),
        on_shelf=sum(max(one.count, 0) for one in shelf),
    )


def counts_of(found: FoundHere) -> dict[str, int]:
    """Return the counts that every answer to the hub holds, by field."""
    return {
        "found_cases": found.cases,
        "found_patients": found.patients,
        "unknown_lots": found.unknown_lots,
        "on_shelf": found.on_shelf,
    }


def counts_apart(found: FoundHere) -> dict[str, int]:
    """Return exact finds apart from near ones, by field; who has both is an exact one (NL11)."""
    return {
        "exact_cases": found.surely_cases,
        "near_cases": found.cases - found.surely_cases,
        "exact_patients": found.surely,
        "near_patients": found.patients - found.surely,
    }
