"""What each unit reported of itself, week by week, at the hub. Transactions are the caller's."""

import datetime
from functools import lru_cache

import msgspec

from api.storage.any_connection import Connection


class KeptStanding(msgspec.Struct, frozen=True):
    """One report: the day and the moment by the hub's clock, and its JSON as it came."""

    unit: str
    on_day: str
    noted_ms: int
    content: str


class KeptCounts(msgspec.Struct, frozen=True):
    """What a report of a day said of quality alone, as JSON."""

    unit: str
    on_day: str
    quality: str


class StandingStore:
    """Standing reports by unit and day; the last of a week stands for it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, standing: KeptStanding, completeness: str = "[]") -> None:
        """Keep a report; it takes the place of earlier ones of the same week, Monday to Sunday.

        What was kept before it came before it: a moment after it was noted by a clock that ran
        ahead, and would stand as the latest until that day (DM-01).

        Parameters
        ----------
        completeness : str
            How full the unit's fields are, as JSON: large, and of the latest report alone.
        """
        monday, sunday = _week_of(standing.on_day)
        self._connection.execute(
            "DELETE FROM standing_report WHERE unit = ? AND on_day BETWEEN ? AND ? AND on_day <> ?",
            (standing.unit, monday, sunday, standing.on_day),
        )
        self._connection.execute(
            "INSERT INTO standing_completeness (unit, content) VALUES (?, ?)"
            " ON CONFLICT (unit) DO UPDATE SET content = excluded.content",
            (standing.unit, completeness),
        )
        self._connection.execute(
            "UPDATE standing_report SET noted_ms = ? WHERE unit = ? AND noted_ms > ?",
            (standing.noted_ms - 1, standing.unit, standing.noted_ms),
        )
        self._connection.execute(
            "INSERT INTO standing_report (unit, on_day, noted_ms, content) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (unit, on_day) DO UPDATE SET noted_ms = excluded.noted_ms,"
            " content = excluded.content WHERE excluded.noted_ms >= standing_report.noted_ms",
            (standing.unit, standing.on_day, standing.noted_ms, standing.content),
        )

    def latest(self) -> list[KeptStanding]:
        """Return the latest report of each unit, by unit."""
        rows = self._connection.execute(
            "SELECT one.unit, one.on_day, one.noted_ms, one.content FROM standing_report AS one"
            " JOIN (SELECT unit, MAX(noted_ms) AS noted_ms FROM standing_report GROUP BY unit)"
            " AS last ON last.unit = one.unit AND last.noted_ms = one.noted_ms"
            " ORDER BY one.unit, one.on_day"
        )
        return list({row[0]: KeptStanding(*row) for row in rows.fetchall()}.values())

    def completeness_of(self, unit: str) -> str:
        """Return how full the fields of a unit are by its latest report, as JSON."""
        row = self._connection.execute(
            "SELECT content FROM standing_completeness WHERE unit = ?", (unit,)
        ).fetchone()
        return str(row[0]) if row else "[]"

    def forget(self, unit: str) -> None:
        """Drop every report of a unit."""
        for table in ("standing_report", "standing_completeness"):
            self._connection.execute(f"DELETE FROM {table} WHERE unit = ?", (unit,))  # noqa: S608

    def weekly_counts(self, from_day: str, until_day: str, unit: str = "") -> list[KeptCounts]:
        """Return the counts of quality of the last report of each week, by day and unit.

        Parameters
        ----------
        from_day, until_day : str
            Civil dates, both included; weeks begin on Monday, also the one of `from_day`.
        unit : str
            One unit, "" for all.
        """
        monday, _ = _week_of(from_day)
        rows = self._connection.execute(
            "SELECT unit, on_day, json_extract(content, '$.quality') FROM standing_report"
            " WHERE on_day BETWEEN ? AND ? AND (? = '' OR unit = ?) ORDER BY on_day, unit",
            (monday, until_day, unit, unit),
        )
        # An earlier release kept each day: the last of a week stands for it.
        last = {
            (row[0], _week_of(row[1])): KeptCounts(row[0], row[1], row[2] or "{}")
            for row in rows.fetchall()
        }
        return sorted(last.values(), key=lambda one: (one.on_day, one.unit))


@lru_cache(maxsize=1_024)
def week_begins(on_day: str) -> str:
    """Return the Monday of the week of a day, both civil dates.

    Examples
    --------
    >>> week_begins("2026-09-27")
    '2026-09-21'
    """
    day = datetime.date.fromisoformat(on_day)
    return (day - datetime.timedelta(days=day.weekday())).isoformat()


@lru_cache(maxsize=1_024)
def _week_of(on_day: str) -> tuple[str, str]:
    monday = week_begins(on_day)
    sunday = datetime.date.fromisoformat(monday) + datetime.timedelta(days=6)
    return monday, sunday.isoformat()
