"""Calendar arithmetic of both engines against python-dateutil, on every day of seventeen years.

From 2024-01-01 to 2040-12-31 there are five leap days and every month end.
"""

from datetime import date

from dateutil.relativedelta import MO, relativedelta
from dateutil.rrule import DAILY, rrule

from api.clinical_rules.civil_date import add_days, add_interval, days_between, is_civil_date
from tests.oracles.twin_functions import CLINICAL_RULES, call_there
from tests.unit.api.twin_engine import seeded

CIVIL_DATE = f"{CLINICAL_RULES}/civil-date.ts"
DAYS = [one.date() for one in rrule(DAILY, dtstart=date(2024, 1, 1), until=date(2040, 12, 31))]
MOST_MONTHS = 24
# Days that the interval adds after its months run through this range, a different one each time.
MOST_DAYS = 400


def _intervals():
    """Return each day with each count of months, and a count of days that walks along."""
    offsets = range(-MOST_DAYS, MOST_DAYS + 1)
    pairs = ((day, months) for day in DAYS for months in range(MOST_MONTHS + 1))
    return [
        (day, months, offsets[place % len(offsets)]) for place, (day, months) in enumerate(pairs)
    ]


def test_the_days_are_all_there():
    assert len(DAYS) == 6210
    assert sum((day.month, day.day) == (2, 29) for day in DAYS) == 5


def test_months_then_days_are_added_as_dateutil_adds_them():
    """[FU1] [FU2] 155,250 sums in each engine; months 0 to 24, days -400 to 400.

    Planted bug that this caught, in each engine: days added before months.
    """
    intervals = _intervals()
    there = call_there(
        CIVIL_DATE,
        "addInterval",
        [(day.isoformat(), months, days) for day, months, days in intervals],
    )

    for (day, months, days), found in zip(intervals, there, strict=True):
        wanted = (day + relativedelta(months=months, days=days)).isoformat()
        asked = (day.isoformat(), months, days)
        assert add_interval(asked[0], months=months, days=days) == wanted, asked
        assert found == wanted, asked


def test_days_are_added_and_counted_as_dateutil_does():
    """[FU1] Every day plus an offset of up to 4,000 days, back again, and the days between.

    Planted bug that this caught: the twin's year left as first estimated, one too early.
    """
    offsets = [seeded(place).randint(-4000, 4000) for place in range(len(DAYS))]
    pairs = [
        (day.isoformat(), (day + relativedelta(days=offset)).isoformat(), offset)
        for day, offset in zip(DAYS, offsets, strict=True)
    ]
    added = call_there(CIVIL_DATE, "addDays", [(start, offset) for start, _, offset in pairs])
    between = call_there(CIVIL_DATE, "daysBetween", [(start, end) for start, end, _ in pairs])

    for place, (start, end, offset) in enumerate(pairs):
        assert add_days(start, offset) == end
        assert days_between(start, end) == offset
        assert added[place] == end
        assert between[place] == offset


def test_the_calendar_has_the_days_that_the_library_has():
    """[FU2] 1900 to 2199 with 1900, 2000 and 2100: every month from day 0 to day 32.

    Planted bug that this caught: 2100 taken for a leap year by the twin.
    """
    texts = [
        f"{year}-{month:02}-{day:02}"
        for year in (1899, 1900, 1999, 2000, 2024, 2026, 2099, 2100, 2199, 2200)
        for month in range(14)
        for day in range(33)
    ]
    there = call_there(CIVIL_DATE, "isCivilDate", [(text,) for text in texts])

    for text, found in zip(texts, there, strict=True):
        year, month, day = map(int, text.split("-"))
        wanted = False
        if 1900 <= year <= 2199 and 1 <= month <= 12:
            last_day = date(year, month, 1) + relativedelta(day=31)
            wanted = 1 <= day <= last_day.day
        assert is_civil_date(text) is wanted, text
        assert found is wanted, text


def test_the_weekday_is_that_of_the_library():
    """Monday is 0. Only the app names weekdays.

    Planted bug that this caught: weeks counted from a Sunday.
    """
    texts = [(day.isoformat(),) for day in DAYS]
    there = call_there("src/clinical-rules/civil-date.ts", "weekdayOf", texts)

    for day, found in zip(DAYS, there, strict=True):
        last_monday = day + relativedelta(weekday=MO(-1))
        assert found == (day - last_monday).days, day
