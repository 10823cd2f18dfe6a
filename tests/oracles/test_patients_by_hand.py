"""Fourteen patients judged by hand, against a unit's own reading of its whole record.

Each is told as a tablet would tell it: asked about bleeding at a visit, bled, died. The answers in
the table were worked out on paper from RULES.md (OC) and the sentences of the definitions; the
curve is that of Aalen and Johansen in fractions. Planted bug that this caught: of a patient asked
on day 200 who died on day 400 it was told that nothing bled within the year (two of eight), and
of one asked on day 100 who died on day 150 that no bleed came before the death (two of seven).
"""

import datetime
from fractions import Fraction

import pytest

from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from tests.unit.api.registry_unit import NOW_MS, registry_unit
from tests.unit.api.test_registry_events import vouch

TREATED = datetime.date(2024, 6, 3)
YEAR = 365
# Days after the treatment: last asked with an answer, first bleed, death. Then, in this order,
# early bleed, late bleed, embolism, death within 30 days and within 6 weeks: + it came, - it did
# not, ? nobody can say.
PATIENTS = (
    (360, None, None, "-----"),
    (360, 200, None, "-+---"),
    (20, None, None, "-????"),
    (90, 3, None, "+?---"),
    (None, None, 2, "---++"),
    (100, None, 150, "-?---"),
    (130, None, 150, "-----"),
    (100, None, 131, "-?---"),
    (340, None, None, "-----"),
    (334, None, None, "-?---"),
    (335, None, None, "-----"),
    (None, None, None, "?????"),
    (30, 30, 40, "-+--+"),
    (200, None, 400, "-?---"),
)
OUTCOMES = ("early_rebleed", "late_rebleed", "embolism", "death_30_days", "death_6_weeks")


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Return what the unit reads of them."""
    with registry_unit(tmp_path_factory.mktemp("unit")) as unit:
        vouch(unit)
        for number, (asked, bled, died, _) in enumerate(PATIENTS):
            _write(unit, number, asked, bled, died)
        yield read_outcomes(
            unit.store, OutcomeAsk(), now_ms=NOW_MS, on="2026-06-01", time_zone="UTC"
        )


def _write(unit, number, asked, bled, died):
    case, patient = f"case/c-{number}", f"patient/p-{number}"
    unit.treat(case, patient, _day(0))
    if asked is not None:
        visit, on = f"visit/a-{number}", _day(asked)
        booking = {"session": "", "on": on}
        unit.visit(visit, case, on, status="attended", booking=booking, patient=patient)
        answer = {"answer": "no"}
        if bled is not None:
            answer = {"answer": "yes", "on": _day(bled), "source": "gastric-varix"}
        unit.write(f"visit_result/a-{number}", case=case, visit=visit, on=on, bled=answer)
    if died is not None:
        end = {"status": "ended", "ended_because": "died", "ended_on": _day(died)}
        unit.visit(f"visit/d-{number}", case, _day(died + 20), patient=patient, **end)


def _day(days):
    return (TREATED + datetime.timedelta(days=days)).isoformat()


@pytest.mark.parametrize("place", range(len(OUTCOMES)), ids=OUTCOMES)
def test_an_outcome_is_counted_as_on_paper(found, place):
    """[OC3] [OC4] [OC7] [OC12]"""
    marks = [told[place] for *_, told in PATIENTS]
    (one,) = (one for one in found.outcomes if one.outcome == OUTCOMES[place])

    assert (one.happened, one.judged, one.missing, one.not_due) == (
        marks.count("+"),
        marks.count("+") + marks.count("-"),
        marks.count("?"),
        0,
    )


def test_late_bleeds_are_two_of_seven_and_seven_are_missing(found):
    """[OC4] [OC18] As written out in words; alike from the treated varices: sources are known."""
    for name in ("late_rebleed", "late_gastric_rebleed"):
        (one,) = (one for one in found.outcomes if one.outcome == name)
        assert (one.happened, one.judged, one.missing) == (2, 7, 7)


def test_the_curve_of_bleeds_is_that_of_aalen_and_johansen(found):
    """[OC6] [OC18] Until the first bleed, death competing, censored on the day last asked."""
    spells = []
    for asked, bled, died, _ in PATIENTS:
        if died is not None and died - max(asked or 0, bled or 0) > 30:
            died = None
        ends = [(day, end) for day, end in ((bled, "bled"), (died, "died")) if day is not None]
        within = [one for one in ends if one[0] <= YEAR]
        spells.append(min(within, default=(min(asked or 0, YEAR), "")))
    free, share, points = Fraction(1), Fraction(0), []
    for day in sorted({day for day, end in spells if end}):
        at_risk = sum(last >= day for last, _ in spells)
        bleeds, deaths = (spells.count((day, end)) for end in ("bled", "died"))
        share += free * Fraction(bleeds, at_risk)
        free *= 1 - Fraction(bleeds + deaths, at_risk)
        points.append((day, float(share)))
    (bleeding, *_) = found.competing.causes

    assert [one.day for one in bleeding.points] == [day for day, _ in points]
    assert [one.share for one in bleeding.points] == pytest.approx([told for _, told in points])
