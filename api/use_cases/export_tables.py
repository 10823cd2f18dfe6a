"""The rows of a de-identified export out of the registry's records. Pure.

Every id becomes a pseudonym of the project, every date moves once more, and a cell that its column
does not allow stays empty: nothing passes because nobody thought of it (DX1, DX2).
"""

from collections import Counter
from collections.abc import Mapping, Sequence

import msgspec

from api.clinical_rules.civil_date import days_between, is_civil_date
from api.record_catalogue.catalogue import Catalogue
from api.registry.date_shift import find_shift, shift_date
from api.registry.pseudonyms import make_pseudonym
from api.use_cases.export_columns import SHAPES, TABLES, Column, ExportTable, values_of
from api.use_cases.export_generalising import HELD_BACK, Step, Told, Traits, generalise
from sync.merge import RecordState, shown_value

Cell = str | int | bool | None
Rows = list[dict[str, Cell]]
_DIGITS = 16
_GTIN_DIGITS = 14
KINDS = tuple(table.kind for table in TABLES)
# In the order in which they are generalised.
QUASI = ("unit", "birth_band", "sex", "treated_period")
_PERIOD = 3
# Empty where there is nothing to tell: not missing.
_OFTEN_EMPTY = ("died_day", "doubts", "lot_unknown", "source", "planned", "grade", "device")
# The field that each table's own day and date are of.
_DATED = {
    "died": "died_on",
    "treated": "treated_on",
    "seen": "seen_on",
    "looked": "looked_on",
    "happened": "happened_on",
}


class ExportRows(msgspec.Struct, frozen=True, kw_only=True):
    """The tables by name, how coarsely patients are told, and what is missing.

    ``held_back`` counts patients whose traits and dates are not told; ``fields`` cells of what was
    to be recorded, ``missing`` those of them that are empty; ``refused`` cells that held what their
    column does not allow. ``units`` counts patients by the hub's name of their unit and stands in
    no file.
    """

    tables: dict[str, Rows]
    units: dict[str, int]
    step: Step
    held_back: int
    missing: int
    fields: int
    refused: int


class _Told(msgspec.Struct, frozen=True, kw_only=True):
    """One patient as it is told: pseudonym, first treatment, and by how much its dates move."""

    pseudonym: str
    first_on: str
    shift: int
    told: Told


def make_export_rows(
    states: Mapping[str, Sequence[RecordState]],
    catalogue: Catalogue,
    key: bytes,
    *,
    from_on: str = "",
    until_on: str = "",
    step: Step | None = None,
) -> ExportRows:
    """Return the rows of all patients treated from one day to another.

    Parameters
    ----------
    states : mapping of kind to states
        Of the registry's kinds, as the hub holds them.
    key : bytes
        Of the project; another key gives other pseudonyms and other dates.
    from_on, until_on : str
        Civil dates as the hub holds them, both included, "" for no end.
    step : Step or None
        The one at which the project was told before.

    Notes
    -----
    Rules DX1-DX3. The same records and key give the same rows, whatever their order.
    """
    cases = [one for one in _standing(states, "registry_case") if _is_in(one, from_on, until_on)]
    of_patient: dict[str, list[str]] = {}
    for case in cases:
        on = _text(case, "treated_on")
        of_patient.setdefault(_text(case, "patient"), []).append(on)
    patients = [one for one in _standing(states, "registry_patient") if one.record in of_patient]
    told = _tell_patients(patients, of_patient, key, step)
    maker = _Maker(catalogue, key, told)
    for patient in patients:
        maker.add(TABLES[0], patient, patient.record)
    case_owner = {one.record: _text(one, "patient") for one in cases}
    for case in cases:
        maker.add(TABLES[1], case, case_owner[case.record])
    for table in TABLES[2:]:
        for part in _standing(states, table.kind):
            owner = case_owner.get(_text(part, "case"))
            if owner is not None:
                maker.add(table, part, owner)
    return ExportRows(
        tables=maker.sorted_tables(),
        units=dict(Counter(_text(one, "unit") for one in patients)),
        step=maker.step,
        held_back=sum(one.told == HELD_BACK for one in told[1].values()),
        missing=maker.missing,
        fields=maker.fields,
        refused=maker.refused,
    )


def _tell_patients(
    patients: Sequence[RecordState],
    of_patient: Mapping[str, Sequence[str]],
    key: bytes,
    kept: Step | None,
) -> tuple[Step, dict[str, _Told]]:
    shifts = {one.record: find_shift(key, one.record) for one in patients}
    firsts = {
        one.record: min((day for day in of_patient[one.record] if day), default="")
        for one in patients
    }
    step, told = generalise(
        [
            Traits(
                unit=_pseudonym(key, "unit", _text(one, "unit")),
                birth_year=_whole(one, "birth_year"),
                sex=_text(one, "sex") or None,
                treated_on=_moved(firsts[one.record], shifts[one.record]) or "",
            )
            for one in patients
        ],
        kept,
    )
    return step, {
        one.record: _Told(
            pseudonym=_pseudonym(key, "patient", one.record),
            first_on=firsts[one.record],
            shift=shifts[one.record],
            told=traits,
        )
        for one, traits in zip(patients, told, strict=True)
    }


class _Maker:
    """Fills the tables row by row, and counts what it left empty."""

    def __init__(
        self, catalogue: Catalogue, key: bytes, told: tuple[Step, dict[str, _Told]]
    ) -> None:
        self._catalogue, self._key = catalogue, key
        self.step, self._told = told
        self._tables: dict[str, Rows] = {table.name: [] for table in TABLES}
        self.missing = self.fields = self.refused = 0

    def add(self, table: ExportTable, state: RecordState, patient: str) -> None:
        """Add the row of one record; of a patient that is not exported nothing is added."""
        told = self._told.get(patient)
        if told is None:
            return
        self._tables[table.name].append(
            {column.name: self._cell(table, column, state, told) for column in table.columns}
        )

    def sorted_tables(self) -> dict[str, Rows]:
        """Return the tables, rows in the order of what they say: it tells nothing of the log."""
        return {
            name: sorted(rows, key=lambda row: [str(value) for value in row.values()])
            for name, rows in self._tables.items()
        }

    def _cell(self, table: ExportTable, column: Column, state: RecordState, told: _Told) -> Cell:
        if column.name == "patient":
            return told.pseudonym
        if column.name == "case":
            own = state.record if table.kind == "registry_case" else _text(state, "case")
            return _pseudonym(self._key, "case", own)
        if column.is_quasi:
            return told.told[QUASI.index(column.name)]
        held = self._value(table, column, state, told)
        if column.type != "date" and column.name not in _OFTEN_EMPTY:
            self.fields += 1
            self.missing += held is None
        return held

    def _value(self, table: ExportTable, column: Column, state: RecordState, told: _Told) -> Cell:
        if column.name.endswith("_day"):
            on = _text(state, _DATED[column.name.removesuffix("_day")])
            is_told = is_civil_date(on) and is_civil_date(told.first_on)
            return days_between(told.first_on, on) if is_told else None
        if column.type == "date":
            # Where the period is not told, a date would tell it again.
            is_told = told.told[_PERIOD] is not None
            return _moved(_text(state, column.field), told.shift) if is_told else None
        if column.name == "lot":
            lot = "".join(_text(state, "lot").split()).upper()
            return _pseudonym(self._key, "lot", lot) if lot else None
        if column.name == "device":
            return _item_number(_text(state, "identifier"))
        return self._fitting(table, column, shown_value(state.fields.get(column.field)))

    def _fitting(self, table: ExportTable, column: Column, value: object) -> Cell:
        """Return a value that its column allows, None for any other."""
        if value is None or value in ("", []):
            return None
        if column.type == "list":
            names = value if isinstance(value, list | tuple) else ()
            allowed = [one for one in names if one in values_of(self._catalogue, table, column)]
            return ";".join(sorted(allowed)) or None
        if column.type == "boolean" and isinstance(value, bool):
            return value
        if column.type == "whole_number" and isinstance(value, int) and not isinstance(value, bool):
            if SHAPES["whole_number"].fullmatch(str(value)):
                return value
        elif column.type == "choice" and value in values_of(self._catalogue, table, column):
            return str(value)
        self.refused += 1
        return None


def _standing(states: Mapping[str, Sequence[RecordState]], kind: str) -> list[RecordState]:
    return sorted(
        (one for one in states.get(kind, ()) if not one.is_entered_in_error),
        key=lambda one: one.record,
    )


def _is_in(case: RecordState, from_on: str, until_on: str) -> bool:
    on = _text(case, "treated_on")
    return (not from_on or on >= from_on) and (not until_on or (on != "" and on <= until_on))


def _pseudonym(key: bytes, kind: str, record: str) -> str:
    return make_pseudonym(key, kind, record)[:_DIGITS]


def _moved(on: str, days: int) -> str | None:
    return shift_date(on, days) if is_civil_date(on) else None


def _item_number(identifier: str) -> str | None:
    """Return a trade item number whose check digit holds: nothing else of 14 digits passes."""
    if len(identifier) != _GTIN_DIGITS or not (identifier.isascii() and identifier.isdigit()):
        return None
    digits = [int(digit) for digit in identifier]
    return identifier if (3 * sum(digits[::2]) + sum(digits[1::2])) % 10 == 0 else None


def _text(state: RecordState, field: str) -> str:
    shown = shown_value(state.fields.get(field))
    return shown if isinstance(shown, str) else ""


def _whole(state: RecordState, field: str) -> int | None:
    shown = shown_value(state.fields.get(field))
    return shown if isinstance(shown, int) and not isinstance(shown, bool) else None
