"""What each unit last reported of itself, day by day, at the hub. Transactions are the caller's."""

import msgspec

from api.storage.any_connection import Connection


class KeptStanding(msgspec.Struct, frozen=True):
    """One report: the day and the moment by the hub's clock, and its JSON as it came."""

    unit: str
    on_day: str
    noted_ms: int
    content: str


class StandingStore:
    """Standing reports by unit and day; the last of a day stands for it."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def keep(self, standing: KeptStanding) -> None:
        """Keep a report; it takes the place of an earlier one of the same day."""
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

    def since(self, from_day: str, unit: str = "") -> list[KeptStanding]:
        """Return the reports from a day on, of one unit or of all, by day and unit."""
        rows = self._connection.execute(
            "SELECT unit, on_day, noted_ms, content FROM standing_report"
            " WHERE on_day >= ? AND (? = '' OR unit = ?) ORDER BY on_day, unit",
            (from_day, unit, unit),
        )
        return [KeptStanding(*row) for row in rows.fetchall()]
