"""Treated cases of a registry, one row each, made of the rows of their records and counted by SQL.

Renewed patient by patient in the transaction that takes an operation in, so that whoever reads
outcomes counts rows and merges no record. Transactions are the caller's.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeVar

import msgspec

from api.outcomes.definitions import packaged_definitions
from api.outcomes.episode_rows import MIX, EpisodeRow, make_episode_rows
from api.outcomes.registry_rows import CaseRow, PartRow, PatientRow
from api.storage.any_connection import Connection
from api.storage.file_connection import FileConnection

PATIENTS = "registry_patient_row"
CASES = "registry_case_row"
PARTS = "registry_part_row"
IMPLANTS = "registry_implant_row"
# From a record of each kind to its patient.
_PATIENT_OF = {
    "registry_patient": "SELECT record FROM registry_patient_row WHERE record {within}",
    "registry_case": "SELECT patient FROM registry_case_row WHERE record {within}",
    "registry_look": "SELECT registry_case_row.patient FROM registry_part_row"
    " JOIN registry_case_row ON registry_case_row.record = registry_part_row.of_case"
    " WHERE registry_part_row.record {within}",
}
_PATIENT_OF["registry_event"] = _PATIENT_OF["registry_look"]
KINDS = frozenset(_PATIENT_OF)
_WITHIN = "IN (SELECT value FROM json_each(?))"
_COLUMNS = ", ".join(EpisodeRow.__struct_fields__)
_FIRST_DAY, _LAST_DAY = "0000-01-01", "9999-12-31"
_PATIENTS_AT_ONCE = 1_000

_Row = TypeVar("_Row", PatientRow, CaseRow, PartRow)


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """Which cases are counted: a period, one unit or all, and a case mix (field, value)."""

    from_on: str = ""
    until_on: str = ""
    unit: str = ""
    mix: tuple[tuple[str, str], ...] = ()

    def condition(self) -> tuple[str, list[str]]:
        """Return what stands after WHERE, and what is bound in it.

        Raises
        ------
        KeyError
            A field is none of the case mix.
        """
        parts, values = ["1 = 1"], []
        if self.from_on or self.until_on:
            parts.append("treated_on BETWEEN ? AND ?")
            values += [self.from_on or _FIRST_DAY, self.until_on or _LAST_DAY]
        if self.unit:
            parts.append("unit = ?")
            values.append(self.unit)
        for field, value in self.mix:
            if field not in MIX:
                raise KeyError(field)
            parts.append(f"{field} = ?")
            values.append(value)
        return " AND ".join(parts), values


class UnitVerdicts(NamedTuple):
    """Cases of one unit of which everything the definitions say is the same.

    Parameters
    ----------
    kept, due : int
        Windows of follow-up of all of them.
    without : int
        Cases in which no window is due.
    """

    unit: str
    verdicts: str
    cases: int
    kept: int
    due: int
    without: int


class OutcomeRows:
    """Keeps and counts the rows of treated cases."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def patients_of(self, records: Iterable[str]) -> set[str]:
        """Return whose cases records tell something of, by the rows as they are now."""
        by_kind: dict[str, list[str]] = {}
        for record in records:
            kind = record.partition("/")[0]
            if kind in KINDS:
                by_kind.setdefault(kind, []).append(record)
        found: set[str] = set()
        for kind, some in by_kind.items():
            rows = self._connection.execute(
                _PATIENT_OF[kind].replace("{within}", _WITHIN), (_list(some),)
            )
            found.update(row[0] for row in rows)
        return found

    def renew(self, patients: Iterable[str]) -> None:
        """Make the rows of all cases of patients anew."""
        wanted = sorted(patients)
        for start in range(0, len(wanted), _PATIENTS_AT_ONCE):
            some = wanted[start : start + _PATIENTS_AT_ONCE]
            self._connection.execute(
                f"DELETE FROM registry_episode WHERE patient {_WITHIN}",  # noqa: S608
                (_list(some),),
            )
            self.add(self._make(some))

    def add(self, rows: Iterable[EpisodeRow]) -> None:
        """Add rows of cases that have none."""
        marks = ", ".join("?" for _ in EpisodeRow.__struct_fields__)
        self._connection.executemany(
            f"INSERT INTO registry_episode ({_COLUMNS}) VALUES ({marks})",  # noqa: S608
            [msgspec.structs.astuple(row) for row in rows],
        )

    def clear(self) -> None:
        """Drop every row; `renew` makes them again."""
        self._connection.execute("DELETE FROM registry_episode")

    def differing(self) -> list[str]:
        """Return the cases whose row is not what their records say, sorted."""
        patients = [
            row[0]
            for row in self._connection.execute(
                "SELECT DISTINCT patient FROM registry_case_row ORDER BY patient"
            ).fetchall()
        ]
        kept = {
            row[0]: EpisodeRow(*row)
            for row in self._connection.execute(f"SELECT {_COLUMNS} FROM registry_episode")  # noqa: S608
        }
        made: dict[str, EpisodeRow] = {}
        for start in range(0, len(patients), _PATIENTS_AT_ONCE):
            some = patients[start : start + _PATIENTS_AT_ONCE]
            made.update((row.record, row) for row in self._make(some))
        return sorted(one for one in kept.keys() | made.keys() if kept.get(one) != made.get(one))

    def count(self, choice: Choice, *columns: str) -> Iterator[tuple[tuple[Any, ...], int]]:
        """Yield each combination of columns that occurs, and how many cases have it."""
        named = ", ".join(columns)
        condition, values = choice.condition()
        rows = self._connection.execute(
            f"SELECT {named}, COUNT(*) FROM registry_episode WHERE {condition}"  # noqa: S608
            f" GROUP BY {named} ORDER BY {named}",
            values,
        )
        for row in rows.fetchall():
            yield tuple(row[:-1]), int(row[-1])

    def by_unit(self, choice: Choice) -> Iterator[UnitVerdicts]:
        """Yield the cases of each unit with the same verdicts, and their windows."""
        condition, values = choice.condition()
        rows = self._connection.execute(
            "SELECT unit, verdicts, COUNT(*), SUM(COALESCE(windows_kept, 0)),"  # noqa: S608
            " SUM(COALESCE(windows_due, 0)),"
            " SUM(CASE WHEN COALESCE(windows_due, 0) = 0 THEN 1 ELSE 0 END)"
            f" FROM registry_episode WHERE {condition} GROUP BY unit, verdicts",
            values,
        )
        for row in rows.fetchall():
            yield UnitVerdicts(row[0], row[1], *map(int, row[2:]))

    def patients(self, choice: Choice) -> int:
        """Return of how many patients the cases are."""
        condition, values = choice.condition()
        row = self._connection.execute(
            f"SELECT COUNT(DISTINCT patient) FROM registry_episode WHERE {condition}",  # noqa: S608
            values,
        ).fetchone()
        return int(row[0])

    def in_order(self, choice: Choice, *columns: str) -> list[tuple[Any, ...]]:
        """Return columns of each case, in the order in which they were treated."""
        condition, values = choice.condition()
        rows = self._connection.execute(
            f"SELECT {', '.join(columns)} FROM registry_episode WHERE {condition}"  # noqa: S608
            " ORDER BY treated_on, record",
            values,
        )
        return [tuple(row) for row in rows.fetchall()]

    def kept_limits(self) -> dict[str, float]:
        """Return the limits of sums that were found before, by mix of risks."""
        rows = self._connection.execute("SELECT mix, limit_of FROM outcome_limit")
        return {row[0]: float(row[1]) for row in rows.fetchall()}

    def keep_limits(self, limits: Mapping[str, float]) -> None:
        """Keep limits of sums; what is kept already stays."""
        for mix, limit in sorted(limits.items()):
            self._connection.execute(
                "INSERT INTO outcome_limit (mix, limit_of) VALUES (?, ?) ON CONFLICT DO NOTHING",
                (mix, repr(limit)),
            )

    def _make(self, patients: Sequence[str]) -> Iterator[EpisodeRow]:
        told = {row.record: row for row in self._rows(PATIENTS, "record", patients, PatientRow)}
        cases: dict[str, list[CaseRow]] = {}
        for case in self._rows(CASES, "patient", patients, CaseRow):
            cases.setdefault(case.patient, []).append(case)
        named = [case.record for some in cases.values() for case in some]
        parts: dict[str, list[PartRow]] = {}
        for part in self._rows(PARTS, "of_case", named, PartRow):
            parts.setdefault(part.of_case, []).append(part)
        for patient, some in cases.items():
            of_patient = [part for case in some for part in parts.get(case.record, ())]
            yield from make_episode_rows(
                told.get(patient), some, of_patient, packaged_definitions()
            )

    def _rows(self, table: str, column: str, wanted: Sequence[str], kind: type[_Row]) -> list[_Row]:
        columns = ", ".join(kind.__struct_fields__)
        rows = self._connection.execute(
            f"SELECT {columns} FROM {table} WHERE {column} {_WITHIN} ORDER BY record",  # noqa: S608
            (_list(wanted),),
        )
        return [kind(*row) for row in rows.fetchall()]


def _list(names: Iterable[str]) -> str:
    return msgspec.json.encode(sorted(names)).decode()


def hold_rows(rows: Iterable[EpisodeRow]) -> OutcomeRows:
    """Return rows in memory alone: a unit counts its own cases as a hub counts a network's."""
    connection = sqlite3.connect(":memory:", factory=FileConnection)
    connection.execute(f"CREATE TABLE registry_episode ({_COLUMNS})")
    held = OutcomeRows(connection)
    held.add(rows)
    return held
