"""The log of a hub in tables by year and unit: each lookup needs few of them, whatever is held.

A record's handle begins with the month in which it was first met. So everything about a record
lies in the tables of one year, wherever it is asked for, and those of a year that is over take in
little. Within a year entries lie apart by the log, and so by the unit, that wrote them.

A table a month was tried: what is found by log or by receipt number looks into every one of them,
and after three years a push took nearly three times the processor time. The month stands in the
handle all the same, so that a year can be parted by months where a network needs it.
"""

from datetime import UTC, datetime

from api.storage.any_connection import Connection

# How many tables a year has, by the hash of the log.
UNITS_APART = 4
_MONTHS = 12
_FIRST_YEAR = 1970
_HANDLE_BITS = 32


def month_of(received_ms: int) -> int:
    """Return how many months after January 1970 a moment lies, in UTC.

    Examples
    --------
    >>> month_of(0), month_of(1_795_000_000_000)
    (0, 682)
    """
    at = datetime.fromtimestamp(received_ms / 1_000, tz=UTC)
    return (at.year - _FIRST_YEAR) * _MONTHS + at.month - 1


def lowest_handle(month: int) -> int:
    """Return the lowest handle of a record that was first met in a month."""
    return max(1, month << _HANDLE_BITS)


def make_year_tables(connection: Connection, received_ms: int) -> int:
    """Make the tables of a year where there are none; return the lowest handle of the month.

    Inside a transaction of the one writer: nobody else makes them meanwhile.
    """
    month = month_of(received_ms)
    year = _FIRST_YEAR + month // _MONTHS
    # Those of the first year are there from the beginning.
    if year > _FIRST_YEAR:
        name = f"log_entry_{year}"
        row = connection.execute("SELECT to_regclass(?) IS NULL", (name,)).fetchone()
        if row[0]:
            for statement in year_statements(year, name):
                connection.execute(statement)
    return lowest_handle(month)


def year_statements(year: int, name: str) -> list[str]:
    """Return what makes the tables of one year; the first takes every lower handle, too."""
    start = (year - _FIRST_YEAR) * _MONTHS
    first = str(start << _HANDLE_BITS) if start else "MINVALUE"
    last = (start + _MONTHS) << _HANDLE_BITS
    return [
        f"CREATE TABLE {name} PARTITION OF log_entry FOR VALUES FROM ({first}) TO ({last})"
        " PARTITION BY HASH (log)",
        *(
            f"CREATE TABLE {name}_{part} PARTITION OF {name}"
            f" FOR VALUES WITH (MODULUS {UNITS_APART}, REMAINDER {part})"
            for part in range(UNITS_APART)
        ),
    ]
