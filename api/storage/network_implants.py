"""Devices that units of a network reported, by what stands on their labels: counted by index.

A sieve: it may yield too many rows and never too few. What is found is decided by
`api.clinical_rules.implant_search`. Transactions are the caller's.
"""

from collections.abc import Iterable, Iterator

import msgspec

from api.clinical_rules.implant_search import Search
from api.clinical_rules.lot_names import (
    LookAlikes,
    forms_one_slip_apart,
    has_other_script,
    identifier_form,
    lot_form,
)
from api.storage.any_connection import Connection
from api.storage.view_rows import indexed_look_alikes

_LAST_DAY = "9999-12-31"
_AT_ONCE = 500
_COLUMNS = "unit, item, identifier, lot, expires_on"


class ReportedImplants(msgspec.Struct, frozen=True):
    """Devices of one label that one unit reported, how many, and in which cases.

    None is nothing known.
    """

    unit: str
    item: str | None
    identifier: str | None
    lot: str | None
    expires_on: str | None
    pieces: int
    cases: frozenset[str]


class NetworkImplants:
    """Reads what units reported of the devices they used."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def sift(self, search: Search) -> list[ReportedImplants]:
        """Return all labels that a search could find, by unit, with how many devices bear each."""
        found: dict[str, tuple[tuple[str, ...], int, str]] = {}
        for condition, values in _conditions(search):
            rows = self._connection.execute(
                f"SELECT record, of_case, pieces, {_COLUMNS} FROM registry_implant_row"  # noqa: S608
                f" WHERE {condition}",
                values,
            ).fetchall()
            found.update((row[0], ((*row[3:],), row[2], row[1])) for row in rows)
        counted: dict[tuple[str, ...], int] = {}
        cases: dict[tuple[str, ...], set[str]] = {}
        for label, pieces, case in found.values():
            counted[label] = counted.get(label, 0) + pieces
            cases.setdefault(label, set()).add(case)
        return [
            ReportedImplants(
                unit, item or None, identifier, lot, expires_on, pieces, frozenset(cases[label])
            )
            for label, pieces in counted.items()
            for unit, item, identifier, lot, expires_on in (label,)
        ]


def _conditions(search: Search) -> Iterator[tuple[str, tuple[object, ...]]]:
    look_alikes = indexed_look_alikes()
    if any(map(has_other_script, (*search.lots, search.identifier or ""))):
        # A name in letters of another script has no form to look up (LT1): all rows.
        yield "1 = 1", ()
    elif search.lots:
        forms = [lot_form(lot, look_alikes) for lot in search.lots]
        yield from _within("lot_form", _with_slips(forms, look_alikes))
        yield "lot_form IS NULL", ()
    elif search.identifier is not None:
        forms = [identifier_form(search.identifier, look_alikes)]
        yield from _within("identifier_form", _with_slips(forms, look_alikes))
        yield "identifier_form IS NULL", ()
    else:
        # Identifier and expiry dates lead only where a lot does not (LT10).
        days = (search.expires_from or "", search.expires_to or _LAST_DAY)
        yield "expires_on BETWEEN ? AND ?", days
        yield "expires_on IS NULL", ()


def _within(column: str, forms: list[str]) -> Iterator[tuple[str, tuple[object, ...]]]:
    for start in range(0, len(forms), _AT_ONCE):
        some = forms[start : start + _AT_ONCE]
        yield f"{column} IN ({', '.join('?' * len(some))})", (*some,)


def _with_slips(forms: Iterable[str], look_alikes: LookAlikes) -> list[str]:
    found = {form for one in forms for form in (one, *forms_one_slip_apart(one, look_alikes))}
    return sorted(found)
