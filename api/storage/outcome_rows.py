"""Treated cases of a registry, one row each, made of the rows of their records and counted by SQL.

Renewed patient by patient in the transaction that takes an operation in, so that whoever reads
outcomes counts rows and merges no record. Transactions are the caller's.
"""

import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
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
# Kinds of records that tell something of a patient's cases.
_OF_CASES = ("registry_look", "registry_event")
KINDS = frozenset({"registry_patient", "registry_case", *_OF_CASES})
# By handle: names are drawn, so that what lies side by side in time lies apart by name.
_WITHIN = "IN (SELECT CAST(value AS BIGINT) FROM json_each(?))"
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

    def patients_of(self, handles: Mapping[str, int]) -> set[int]:
        """Return whose cases records tell something of, by the rows as they are now.

        Parameters
        ----------
        handles : mapping of str to int
            The records, with their handles; of patients the handles are returned.
        """
        by_kind: dict[str, list[int]] = {}
        for record, handle in handles.items():
            kind = record.partition("/")[0]
            if kind in KINDS:
                by_kind.setdefault(kind, []).append(handle)
        parts = [handle for kind in _OF_CASES for handle in by_kind.get(kind, ())]
        cases = by_kind.get("registry_case", [])
        if parts:
            rows = self._connection.execute(
                f"SELECT case_handle FROM registry_part_row WHERE handle {_WITHIN}",  # noqa: S608
                (_list(parts),),
            )
            cases = [*cases, *(row[0] for row in rows.fetchall())]
        return {*by_kind.get("registry_patient", ()), *self.patients_of_cases(cases)}

    def patients_of_cases(self, cases: Collection[int]) -> set[int]:
        """Return the patients of cases, all by handle."""
        if not cases:
            return set()
        rows = self._connection.execute(
            f"SELECT patient_handle FROM registry_case_row WHERE handle {_WITHIN}",  # noqa: S608
            (_list(cases),),
        )
        return {row[0] for row in rows.fetchall()}

    def renew(self, patients: Iterable[int]) -> None:
        """Make the rows of all cases of patients anew, by their handles."""
        wanted = sorted(patients)
        for start in range(0, len(wanted), _PATIENTS_AT_ONCE):
            some = wanted[start : start + _PATIENTS_AT_ONCE]
            self._connection.execute(
                f"DELETE FROM registry_episode WHERE patient_handle {_WITHIN}",  # noqa: S608
                (_list(some),),
            )
            made = [(*msgspec.structs.astuple(row), handle) for row, handle in self._make(some)]
            marks = ", ".join("?" for _ in (*EpisodeRow.__struct_fields__, "patient_handle"))
            self._connection.executemany(
                f"INSERT INTO registry_episode ({_COLUMNS}, patient_handle) VALUES ({marks})",  # noqa: S608
                made,
            )

    def add(self, rows: Iterable[EpisodeRow]) -> None:
        """Add rows of cases that no record here tells of."""
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
                "SELECT DISTINCT patient_handle FROM registry_case_row ORDER BY patient_handle"
            ).fetchall()
        ]
        kept = {
            row[0]: (EpisodeRow(*row[:-1]), row[-1])
            for row in self._connection.execute(
                f"SELECT {_COLUMNS}, patient_handle FROM registry_episode"  # noqa: S608
            )
        }
        made: dict[str, tuple[EpisodeRow, int]] = {}
        for start in range(0, len(patients), _PATIENTS_AT_ONCE):
            some = patients[start : start + _PATIENTS_AT_ONCE]
            made.update((row.record, (row, handle)) for row, handle in self._make(some))
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

    def _make(self, patients: Sequence[int]) -> Iterator[tuple[EpisodeRow, int]]:
        """Yield the rows of all cases of patients, each with the patient's handle."""
        told = {row.record: row for row, _ in self._rows(PATIENTS, "handle", patients, PatientRow)}
        cases: dict[str, list[CaseRow]] = {}
        of_patient: dict[str, int] = {}
        held = self._rows(CASES, "patient_handle", patients, CaseRow, "patient_handle, handle")
        for case, (handle, _) in held:
            cases.setdefault(case.patient, []).append(case)
            of_patient[case.patient] = handle
        parts: dict[str, list[PartRow]] = {}
        named = [handle for _, (_, handle) in held]
        for part, _ in self._rows(PARTS, "case_handle", named, PartRow):
            parts.setdefault(part.of_case, []).append(part)
        for patient, some in cases.items():
            told_of = [part for case in some for part in parts.get(case.record, ())]
            for row in make_episode_rows(told.get(patient), some, told_of, packaged_definitions()):
                yield row, of_patient[patient]

    def _rows(
        self, table: str, column: str, wanted: Sequence[int], kind: type[_Row], and_of: str = "0"
    ) -> list[tuple[_Row, tuple[int, ...]]]:
        """Return rows by a handle, and the handles asked for with each, in order of record."""
        columns = ", ".join(kind.__struct_fields__)
        count = len(kind.__struct_fields__)
        rows = self._connection.execute(
            f"SELECT {columns}, {and_of} FROM {table} WHERE {column} {_WITHIN} ORDER BY record",  # noqa: S608
            (_list(wanted),),
        )
        return [(kind(*row[:count]), tuple(row[count:])) for row in rows.fetchall()]


def _list(handles: Iterable[int]) -> str:
    return msgspec.json.encode(sorted(handles)).decode()


def hold_rows(rows: Iterable[EpisodeRow]) -> OutcomeRows:
    """Return rows in memory alone: a unit counts its own cases as a hub counts a network's."""
    connection = sqlite3.connect(":memory:", factory=FileConnection)
    connection.execute(f"CREATE TABLE registry_episode ({_COLUMNS})")
    held = OutcomeRows(connection)
    held.add(rows)
    return held
