"""The simulated year as a table by quarters, in Markdown."""

from typing import TYPE_CHECKING

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.follow_up_measures import (
    MEASURES,
    Measure,
    MeasureRow,
    count_measures,
)
from tests.simulator.clinic_year_facts import YearFacts

if TYPE_CHECKING:
    from tests.simulator.clinic_year import ClinicYear

_FIRST_MONTH = {"Q1": "01-01", "Q2": "04-01", "Q3": "07-01", "Q4": "10-01"}
_LAST_MONTH = {"Q1": "03-31", "Q2": "06-30", "Q3": "09-30", "Q4": "12-31"}
_HANDED = ("to clinician: late", "to clinician: no-shows", "to clinician: no-answer")
ROWS = (
    ("patients treated", ("treated",)),
    ("bookings made", ("book",)),
    ("visits that took place", ("came", "done-elsewhere")),
    ("no-shows", ("no-show",)),
    ("cancelled, by patient or unit", ("cancel",)),
    ("bookings displaced by closed sessions", ("bookings displaced",)),
    ("places given twice while offline", ("given twice",)),
    ("bookings left outside a window that moved", ("booked outside a new window",)),
    ("calls that nobody answered", ("no answer",)),
    ("handed to a clinician by a limit", _HANDED),
    ("rows handed on", ("hand-over",)),
    ("follow-ups ended: died", ("ended: died",)),
    ("follow-ups ended: transferred", ("ended: transferred",)),
    ("follow-ups ended: declined", ("ended: declined",)),
    ("follow-ups taken up again", ("came back",)),
    ("letters printed", ("letters printed",)),
    ("letters withheld at the printer", ("letters withheld",)),
)


def print_table(year: "ClinicYear") -> str:
    """Return the table, one column a quarter and one of the whole."""
    quarters = list(year.tallies)
    lines = [["", *quarters, "whole"]]
    for words, keys in ROWS:
        counts = [sum(year.tallies[one][key] for key in keys) for one in quarters]
        lines.append([words, *(f"{one:,}" for one in (*counts, sum(counts)))])
    lines += _measured(year, quarters)
    lost = [sum(n for on, n in year.watch.lost.items() if _is_in(on, one)) for one in quarters]
    lines.append(["patient-days lost from sight", *map(str, (*lost, sum(lost)))])
    held = [(year.tallies[one]["days held"], year.tallies[one]["days"]) for one in quarters]
    held.append((year.days_held, year.days))
    lines.append(["days on which it held for everybody", *(f"{n} of {of}" for n, of in held)])
    lines.insert(1, ["---", *("---:" for _ in (*quarters, 1))])
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _is_in(on: str, quarter: str) -> bool:
    first, last = _days_of(quarter)
    return first <= on <= last


def _days_of(quarter: str) -> tuple[str, str]:
    year, name = quarter.split()
    return f"{year}-{_FIRST_MONTH[name]}", f"{year}-{_LAST_MONTH[name]}"


def _measured(year: "ClinicYear", quarters: list[str]) -> list[list[str]]:
    """Return what the product's own measure says of the visits due."""
    spans = [_days_of(one) for one in quarters]
    spans.append((spans[0][0], spans[-1][1]))
    due, within = ["visits due, whose window closed"], ["of these seen within the window, %"]
    for first_on, last_on in spans:
        one = measure_due(year, first_on, last_on)
        due.append(f"{one.of:,}")
        within.append(one.figure or "none due")
    return [due, within]


def measure_due(year: "ClinicYear", from_on: str, until_on: str) -> Measure:
    """Return the share seen within the window, as the product counts it for the unit (FM2)."""
    record, facts = year.record, YearFacts(year.record)
    found = count_measures(
        [facts.visit_facts(one) for one in record.visits.values()],
        record.book.rule_file_or_listed(MEASURES, MeasureRow).rows,
        from_on=from_on,
        until_on=until_on,
        on=add_days(year.today_on, 1),
    )
    return next(one for one in found if one.measure == "seen_within_window" and one.place is None)
