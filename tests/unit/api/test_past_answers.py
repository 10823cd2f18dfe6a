"""Outcomes of cases from a file: what it does not say of everybody is counted of nobody (RG18).

Ten patients treated on one day, of whom two bled on day 100 and all were seen a year later, told
by files with other columns. Planted bugs that this caught: who bled counted where the others were
missing (two of two, and nobody free of it), and one embolism of one as the only cell written.
"""

import pytest

from api.use_cases.import_cases import take_past_cases
from api.use_cases.people import add_person
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from tests.unit.api.registry_unit import NOW_MS, registry_unit

ON = "2026-06-01"
HEADER = "local_number,born_on,procedure_on,delivered"
SEEN, BLED, EVENT = "last_visit_on", "rebleed_on,rebleed_source", "adverse_event,adverse_event_on"


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


def bled(number):
    return "2024-04-10,gastric-varix" if number < 2 else ","


def take(unit, header, cells):
    """Take a file of ten rows; `cells` gives the columns after the common ones."""
    by = add_person(
        unit.store, "Pell Thistlewood", "data-manager", by="", chance=unit.draw_chance()
    )
    rows = [f"TH-{n},1961-05-04,2024-01-01,yes,{cells(n)}" for n in range(10)]
    content = "\r\n".join((f"{HEADER},{header}", *rows)).encode()
    report = take_past_cases(
        unit.store, "f.csv", content, by=by, because="t", on=ON, draw_chance=unit.draw_chance
    )
    assert (report.can_be_taken, report.faults) == (10, [])


def read(unit):
    """Return how often each outcome happened, of how many, with how many missing; and a curve."""
    found = read_outcomes(unit.store, OutcomeAsk(), now_ms=NOW_MS, on=ON, time_zone="UTC")
    counts = {one.outcome: (one.happened, one.judged, one.missing) for one in found.outcomes}
    (curve,) = (one for one in found.survival if one.outcome == "free_of_rebleed")
    return counts, [(one.day, round(one.share, 3)) for one in curve.points]


NOBODY = (0, 0, 10)
FILES = {
    "bleeds, no adverse events": (
        f"{SEEN},{BLED}",
        lambda n: f"2025-01-10,{bled(n)}",
        {"late_rebleed": (2, 10, 0), "early_rebleed": (0, 10, 0), "embolism": NOBODY},
        [(100, 0.8)],
    ),
    "both, none in each cell": (
        f"{SEEN},{BLED},{EVENT}",
        lambda n: f"2025-01-10,{bled(n)},none,",
        {"late_rebleed": (2, 10, 0), "embolism": (0, 10, 0)},
        [(100, 0.8)],
    ),
    "both, all cells but one empty": (
        f"{SEEN},{BLED},{EVENT}",
        lambda n: f"2025-01-10,{bled(n)}," + ("embolism,2024-01-02" if n == 5 else ","),
        {"late_rebleed": (2, 10, 0), "embolism": NOBODY, "unplanned_reintervention": NOBODY},
        [(100, 0.8)],
    ),
    "both, one cell empty": (
        f"{SEEN},{BLED},{EVENT}",
        lambda n: f"2025-01-10,{bled(n)}," + ("embolism,2024-01-02", "none,", ",")[min(n, 2)],
        {"late_rebleed": (2, 10, 0), "embolism": NOBODY},
        [(100, 0.8)],
    ),
    "one embolism, none else": (
        f"{SEEN},{BLED},{EVENT}",
        lambda n: f"2025-01-10,{bled(n)}," + ("embolism,2024-01-02" if n == 5 else "none,"),
        {"late_rebleed": (2, 10, 0), "embolism": (1, 10, 0)},
        [(100, 0.8)],
    ),
    "one bled on the day itself, none else": (
        f"{SEEN},{BLED},{EVENT}",
        lambda n: f"2025-01-10,{bled(n)}," + ("bleeding,2024-01-01" if n == 5 else "none,"),
        {"late_rebleed": (2, 10, 0), "early_rebleed": (0, 10, 0), "embolism": (0, 10, 0)},
        [(100, 0.8)],
    ),
    "bleeds as adverse events alone": (
        f"{SEEN},{EVENT}",
        lambda n: "2025-01-10," + ("bleeding,2024-04-10" if n < 2 else "none,"),
        {"late_rebleed": NOBODY, "early_rebleed": NOBODY, "embolism": (0, 10, 0)},
        [],
    ),
    "bleeds without a visit": (BLED, bled, {"late_rebleed": NOBODY}, []),
    "bleeds as adverse events of the dead": (
        f"{EVENT},ended_because,ended_on",
        lambda n: ("bleeding,2024-04-10" if n < 2 else "none,") + ",died,2024-09-01",
        {"late_rebleed": NOBODY, "embolism": (0, 10, 0), "death_30_days": (0, 10, 0)},
        [],
    ),
}


@pytest.mark.parametrize("name", FILES)
def test_what_a_file_does_not_say_of_everybody_counts_of_nobody(unit, name):
    """[RG18] [OC12]"""
    header, cells, wanted, points = FILES[name]
    take(unit, header, cells)
    counts, curve = read(unit)

    assert {outcome: counts[outcome] for outcome in wanted} == wanted
    assert curve == points


def test_who_was_asked_at_this_unit_counts_though_the_file_said_nothing(unit):
    """[RG18] At a visit of that case; the others stay missing."""
    take(unit, SEEN, lambda _: "2025-01-10")
    case = sorted(one for one in unit.store.operations.records() if one.startswith("case/"))[0]
    unit.look("visit/w-1", case, on="2026-04-02", bled={"answer": "no"})
    counts, _ = read(unit)

    assert counts["late_rebleed"] == (0, 1, 9)
