"""Implants by what stands on their labels: the rows that a search has to look at, by index.

A sieve: it may yield too many rows and never too few. What is found is decided by
`api.clinical_rules.implant_search`. Transactions are the caller's.
"""

from collections.abc import Iterable

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


class ImplantRow(msgspec.Struct, frozen=True):
    """One reading of one label in one case, as the views hold it.

    Parameters
    ----------
    on_day : str or None
        Its own day: None where it says none, "" where it says what is no day, or several.
    case_on : str or None
        Day of the procedure of its case where it says no day itself and nobody disputes that one.
    """

    record: str
    kind: str
    of_case: str | None
    written_on_device: str
    identifier: str | None
    lot: str | None
    lot_unknown: int
    serial: str | None
    expires_on: str | None
    item: str | None
    on_day: str | None
    package: str | None
    stock: str | None
    fate: str | None
    is_struck: int
    case_on: str | None

    @property
    def case_days(self) -> tuple[str, ...]:
        """The day of its case, "" where nobody can tell; none where it names no case."""
        return () if self.of_case is None else (self.case_on or "",)


_CASE_ON = (
    "CASE WHEN implant.on_day IS NULL THEN (SELECT case_list.procedure_on FROM case_list"
    " WHERE case_list.record = implant.of_case) END"
)
# In the order of a row's fields, of which the last is of another view.
_COLUMNS = ", ".join((*(f"implant.{name}" for name in ImplantRow.__struct_fields__[:-1]), _CASE_ON))


class CaseRow(msgspec.Struct, frozen=True):
    """A case that is not struck; None for what two answers stand about, or is no day."""

    record: str
    patient: str | None
    procedure_on: str | None


class PatientRow(msgspec.Struct, frozen=True):
    """A patient who is not struck, and why follow-up ended, by anybody's word."""

    record: str
    family_name: str | None
    given_name: str | None
    born_on: str | None
    local_id: str | None
    ended_because: str | None


class ImplantRows:
    """Reads the view of implants beside cases and patients."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def sift(
        self, search: Search, look_alikes: LookAlikes, *, of_items: Iterable[str] = ()
    ) -> list[ImplantRow]:
        """Return every row that the search could find, by record, all readings of each.

        Parameters
        ----------
        of_items : iterable of str
            Stock items whose identifier is searched for: what is of them and bears no identifier
            itself could be found too (LT16).

        Notes
        -----
        Under look-alikes other than those of the index every row is returned, so for a name in
        letters of another script (LT1): slower, and whole.
        """
        condition = ""
        values: list[object] = []
        names = (*search.lots, search.serial or "", search.identifier or "")
        if look_alikes == indexed_look_alikes() and not any(map(has_other_script, names)):
            parts, values = _narrow(search, look_alikes, of_items)
            condition = f" WHERE record IN ({' UNION '.join(parts)})"
        rows = self._connection.execute(
            f"SELECT {_COLUMNS} FROM implant{condition} ORDER BY record, place",  # noqa: S608
            values,
        )
        return [ImplantRow(*row) for row in rows]

    def of_cases(self, cases: Iterable[str]) -> list[ImplantRow]:
        """Return every row of some cases, by record."""
        rows = self._connection.execute(
            f"SELECT {_COLUMNS} FROM implant"  # noqa: S608
            " WHERE of_case IN (SELECT value FROM json_each(?)) ORDER BY record, place",
            (_list(cases),),
        )
        return [ImplantRow(*row) for row in rows]

    def cases(self, wanted: Iterable[str]) -> dict[str, CaseRow]:
        """Return cases by record; one that is struck, or that nobody has sent, is left out."""
        rows = self._connection.execute(
            "SELECT record, patient, procedure_on FROM case_list"
            " WHERE record IN (SELECT value FROM json_each(?))",
            (_list(wanted),),
        )
        return {row[0]: CaseRow(*row) for row in rows}

    def patients(self, wanted: Iterable[str]) -> dict[str, PatientRow]:
        """Return patients by record; one that is struck, or that nobody has sent, is left out."""
        rows = self._connection.execute(
            "SELECT record, family_name, given_name, born_on, local_id,"
            " (SELECT group_concat(ended_because, ' ') FROM visit_list"
            " WHERE patient = patient_list.record AND ended_because IS NOT NULL)"
            " FROM patient_list WHERE record IN (SELECT value FROM json_each(?))",
            (_list(wanted),),
        )
        return {row[0]: PatientRow(*row) for row in rows}


def _narrow(
    search: Search, look_alikes: LookAlikes, of_items: Iterable[str]
) -> tuple[list[str], list[object]]:
    """Return selections of records, to be joined, and what is bound in them."""
    parts: list[str] = []
    values: list[object] = []

    def add(condition: str, *bound: object) -> None:
        parts.append(f"SELECT record FROM implant WHERE {condition}")  # noqa: S608
        values.extend(bound)

    def add_unknown(column: str) -> None:
        if search.from_on is None and search.to_on is None:
            add(f"{column} IS NULL")
            return
        days = (search.from_on or "", search.to_on or "9999-12-31")
        add(f"{column} IS NULL AND on_day BETWEEN ? AND ?", *days)
        add(f"{column} IS NULL AND on_day = ''")
        # Without a day of its own it has that of its case; one that nobody can tell is in (LT8).
        elsewhere = (
            "SELECT 1 FROM case_list WHERE case_list.record = implant.of_case"
            " AND case_list.procedure_on NOT BETWEEN ? AND ?"
        )
        add(f"{column} IS NULL AND on_day IS NULL AND NOT EXISTS ({elsewhere})", *days)

    within = "column IN (SELECT value FROM json_each(?))"
    if search.lots:
        forms = [lot_form(lot, look_alikes) for lot in search.lots]
        add(within.replace("column", "lot_form"), _with_slips(forms, look_alikes))
        add_unknown("lot_form")
    if search.serial is not None:
        forms = [lot_form(search.serial, look_alikes)]
        add(within.replace("column", "serial_form"), _with_slips(forms, look_alikes))
    if not search.lots and search.serial is not None:
        add_unknown("serial_form")
    if parts:
        return parts, values
    # Identifier and expiry dates lead only where neither lot nor serial number does (LT10).
    if search.identifier is not None:
        forms = [identifier_form(search.identifier, look_alikes)]
        add(within.replace("column", "identifier_form"), _with_slips(forms, look_alikes))
        add_unknown("identifier_form")
        named = "stock IN (SELECT value FROM json_each(?))"
        add(f"identifier_form IS NULL AND {named}", _list(of_items))
    else:
        days = (search.expires_from or "", search.expires_to or "9999-12-31")
        add("expires_on BETWEEN ? AND ?", *days)
        add_unknown("expires_on")
    return parts, values


def _with_slips(forms: Iterable[str], look_alikes: LookAlikes) -> str:
    found = {form for one in forms for form in (one, *forms_one_slip_apart(one, look_alikes))}
    return _list(found)


def _list(names: Iterable[str]) -> str:
    return msgspec.json.encode(sorted(names)).decode()
