"""No cell that a hub holds back can be reckoned from what the same answer tells, table by table."""

import random

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from api.registry.round_counts import counts_told_as
from api.registry.suppress_small import is_small
from api.storage.unit_store import open_unit_store
from api.use_cases.outcome_reading import OutcomeReading
from api.use_cases.read_outcomes import OutcomeAsk, read_choice, read_outcomes
from api.use_cases.server_role import settle_role
from tests.unit.api.random_registry import Writers, invent_registry

TODAY = "2027-12-31"
MOST = 10_000
ASKS = ("", "sex:female", "child_class:C")


class Reader:
    """Whoever has one answer, and knows of each told count what it was before it was rounded.

    Rounding hides what suppression forgot: it is left out, so that each is looked at by itself. A
    cell is told or held back; a line says that cells add up to a sum, which is a cell itself.
    """

    def __init__(self):
        self._places = {}
        self._bounds = []
        self._lines = []

    def cell(self, name, told, count):
        """Know a count, unless it is held back."""
        assert told is None or count in counts_told_as(told), (name, told, count)
        self._places[name] = len(self._bounds)
        self._bounds.append((0, MOST) if told is None else (count, count))

    def line(self, parts, total):
        """Know that some cells add up to another."""
        self._lines.append((list(parts), total))

    def range_of(self, name):
        """Return the least and the most that a cell can be."""
        rows = np.zeros((len(self._lines), len(self._bounds)))
        for row, (parts, total) in enumerate(self._lines):
            for part in parts:
                rows[row, self._places[part]] = 1
            rows[row, self._places[total]] = -1
        found = []
        for sign in (1, -1):
            aim = np.zeros(len(self._bounds))
            aim[self._places[name]] = sign
            told = milp(
                aim,
                constraints=LinearConstraint(rows, 0, 0),
                bounds=Bounds(*zip(*self._bounds, strict=True)),
                integrality=np.ones(len(self._bounds)),
            )
            assert told.success, (name, told.message)
            found.append(round(sign * told.fun))
        return tuple(found)


@pytest.fixture(scope="module", params=[1, 2])
def hub(request, tmp_path_factory):
    store = open_unit_store(tmp_path_factory.mktemp("hub"), new_generation="generation-1")
    settle_role(store, as_hub=True)
    writers = Writers(store)
    writers.write(list(invent_registry(random.Random(request.param), cases=150)))
    yield store
    store.close()


def _exact(store, **ask):
    with store.reading():
        choice = read_choice(OutcomeAsk(**ask))
        reading = OutcomeReading(store.outcomes, choice, lambda unit: unit, {}, hides=False)
        return reading.tell([], now_ms=0, on=TODAY)


def _cells_of(one):
    """Return the four counts of a unit or of all, None for each that is held back."""
    if one.happened is None:
        return dict.fromkeys(("happened", "did_not", "missing", "not_due"))
    return {
        "happened": one.happened,
        "did_not": one.judged - one.happened,
        "missing": one.missing,
        "not_due": one.not_due,
    }


def _read_outcome(report, exact, place):
    """Return what a reader knows of one outcome: by unit and by month, which share their sums."""
    reader, outcome, free = Reader(), report.outcomes[place], exact.outcomes[place]
    reader.cell("all", report.cases, exact.cases)
    for one, of in zip(report.units, exact.units, strict=True):
        reader.cell(("cases", one.unit), one.cases, of.cases)
    for who, one, of in _who_tells(outcome, free):
        for name, count in _cells_of(of).items():
            reader.cell((who, name), _cells_of(one)[name], count)
    units = [one.unit for one in outcome.by_unit]
    names = list(_cells_of(free))
    for name in names:
        reader.line([(unit, name) for unit in units], ("all", name))
    reader.line([("cases", unit) for unit in units], "all")
    # Windows of follow-up add up to no number of cases.
    if outcome.counted == "cases":
        for unit in units:
            reader.line([(unit, name) for name in names], ("cases", unit))
        reader.line([("all", name) for name in names], "all")
        _read_months(reader, report, exact, outcome.outcome)
    return reader


def _read_months(reader, report, exact, outcome):
    for one, of in zip(report.months, exact.months, strict=True):
        happened = of.happened[outcome]
        reader.cell(("month", one.month), one.cases, of.cases)
        reader.cell((one.month, "happened"), one.happened[outcome], happened)
        reader.cell((one.month, "others"), None, of.cases - happened)
        reader.line([(one.month, "happened"), (one.month, "others")], ("month", one.month))
    reader.line([("month", one.month) for one in report.months], "all")
    reader.line([(one.month, "happened") for one in report.months], ("all", "happened"))


def _who_tells(outcome, free):
    pairs = zip(outcome.by_unit, free.by_unit, strict=True)
    return [("all", outcome, free), *((one.unit, one, of) for one, of in pairs)]


def _small_ones(report, exact, place):
    """Yield each cell of an outcome that is of one to four cases, whether held back or not."""
    outcome, free = report.outcomes[place], exact.outcomes[place]
    for who, told, of in _who_tells(outcome, free):
        for name, count in _cells_of(of).items():
            if is_small(count):
                yield (who, name), _cells_of(told)[name]
    if outcome.counted == "cases":
        for told, of in zip(report.months, exact.months, strict=True):
            if is_small(of.cases):
                yield ("month", told.month), told.cases
            if is_small(of.happened[outcome.outcome]):
                yield (told.month, "happened"), told.happened[outcome.outcome]


@pytest.mark.parametrize("mix", ASKS)
def test_no_small_cell_of_an_answer_follows_from_the_others(hub, mix):
    """[HAZ-49] [OC16] Units, months and sums of each outcome together, as one who subtracts.

    Planted and caught: a hidden cell alone in its line, left to be reckoned from the sum.
    """
    report = read_outcomes(hub, OutcomeAsk(mix=mix), now_ms=7, on=TODAY, time_zone="UTC")
    exact = _exact(hub, mix=mix)
    seen = 0
    for place in range(len(report.outcomes)):
        reader = _read_outcome(report, exact, place)
        for name, told in _small_ones(report, exact, place):
            assert told is None, name
            least, most = reader.range_of(name)
            assert least < most, (mix, name, least)
            seen += 1
    assert seen > 20


def test_no_month_that_is_told_lies_behind_the_reading(hub):
    """[OC17] Caught: a chart that ran half a year into the future, of moved days."""
    early = read_outcomes(hub, OutcomeAsk(), now_ms=7, on="2026-03-15", time_zone="UTC")
    late = _exact(hub)

    assert max(one.month for one in late.months) > "2026-03"
    assert max(one.month for one in early.months) == "2026-03"
    (last,) = (one for one in early.months if one.month == "2026-03")
    behind = sum(one.cases for one in late.months if one.month >= "2026-03")
    assert abs(last.cases - behind) < 3
    year = OutcomeAsk(from_on="2026-07-01", until_on="2026-09-30")
    told = read_outcomes(hub, year, now_ms=7, on="2026-03-15", time_zone="UTC")
    assert all(one.month <= max("2026-03", told.from_on[:7]) for one in told.months)


def test_windows_are_told_apart_from_cases(hub):
    """[OC17] Caught: "80 of 95" windows stood beside the missing cases as if both were cases."""
    told = {one.outcome: one.counted for one in _exact(hub).outcomes}

    assert told.pop("seen_in_window") == "windows"
    assert set(told.values()) == {"cases"}
