"""What each unit last reported of itself, day by day, at the hub. Transactions are the caller's."""

import datetime

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
    """Standing reports by unit and day; the last of a day stands for it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, standing: KeptStanding) -> None:
        """Keep a report; it takes the place of an earlier one of the same day.

        What was kept before it came before it: a moment after it was noted by a clock that ran
        ahead, and would stand as the latest until that day (DM-01).
        """
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

    def forget(self, unit: str) -> None:
        """Drop every report of a unit."""
        self._connection.execute("DELETE FROM standing_report WHERE unit = ?", (unit,))

    def weekly_counts(self, from_day: str, until_day: str, unit: str = "") -> list[KeptCounts]:
        """Return the counts of quality of the last report of each week, by day and unit.

        Of a year of reports that is one in seven, and of each a small part: a whole one tells
        each field of each month.

        Parameters
        ----------
        from_day, until_day : str
            Civil dates, both included; weeks begin on Monday, also the one of `from_day`.
        unit : str
            One unit, "" for all.
        """
        day = datetime.date.fromisoformat(from_day)
        day -= datetime.timedelta(days=day.weekday())
        found = []
        while day.isoformat() <= until_day:
            sunday = day + datetime.timedelta(days=6)
            rows = self._connection.execute(
                "SELECT one.unit, one.on_day, json_extract(one.content, '$.quality')"
                " FROM standing_report AS one JOIN (SELECT unit, MAX(on_day) AS on_day"
                " FROM standing_report WHERE on_day BETWEEN ? AND ? AND (? = '' OR unit = ?)"
                " GROUP BY unit) AS last ON last.unit = one.unit AND last.on_day = one.on_day"
                " ORDER BY one.on_day, one.unit",
                (day.isoformat(), min(sunday.isoformat(), until_day), unit, unit),
            )
            found += [KeptCounts(row[0], row[1], row[2] or "{}") for row in rows.fetchall()]
            day = sunday + datetime.timedelta(days=1)
        return found
