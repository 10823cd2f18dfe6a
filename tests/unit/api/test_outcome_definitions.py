"""What an outcome means for one case: boundaries in threes, missing told as missing.

Planted bugs that this caught: a case that was not examined counted as not obliterated, a loss on
day 29 counted as alive on day 30, the last day of an outcome left out, a death that censored, an
event counted before its time was over.
"""

import json
import random

import msgspec
import pytest

from api.clinical_rules.civil_date import add_days
from api.outcomes.competing_risks import estimate_incidence
from api.outcomes.definitions import packaged_definitions, read_definitions
from api.outcomes.episodes import (
    Episode,
    Event,
    Look,
    count_outcome,
    follow_outcome,
    judge_episode,
)
from api.outcomes.proportions import OutcomeError
from api.outcomes.survival import Spell

DAY = "2026-03-10"
BY = packaged_definitions().by_outcome


def after(days):
    return add_days(DAY, days)


def case(seen=400, unit="u-1", events=(), looks=(), window_days=365, asked=None, **more):
    return Episode(
        unit=unit,
        asked_on=after(seen if asked is None else asked),
        window_days=window_days,
        treated_on=DAY,
        seen_on=after(seen),
        events=tuple(Event(on=after(day), kind=kind, **rest) for day, kind, rest in events),
        looks=tuple(Look(after(day), flow) for day, flow in looks),
        **more,
    )


def bled(day, source=""):
    return (day, "rebleed", {"source": source})


def judge(outcome, **facts):
    return judge_episode(case(**facts), BY[outcome])


@pytest.mark.parametrize(
    ("outcome", "facts", "verdict"),
    [
        ("technical_success", {"delivered": True}, "happened"),
        ("technical_success", {"delivered": False}, "did-not"),
        ("technical_success", {}, "missing"),
        ("flow_gone_at_end", {"flow_at_end": "none"}, "happened"),
        ("flow_gone_at_end", {"flow_at_end": "reduced"}, "did-not"),
        ("flow_gone_at_end", {}, "missing"),
    ],
)
def test_one_fact_tells_an_outcome_or_it_is_missing(outcome, facts, verdict):
    """[OC1]"""
    assert judge(outcome, **facts) == verdict


@pytest.mark.parametrize(
    ("looks", "verdict"),
    [
        ([], "missing"),
        ([(30, "not-seen")], "missing"),
        ([(0, "no")], "missing"),
        ([(1, "no")], "happened"),
        ([(30, "yes"), (90, "no")], "happened"),
        ([(90, "yes"), (30, "no")], "did-not"),
        ([(30, "no"), (90, "not-seen")], "happened"),
    ],
)
def test_obliteration_is_told_by_the_last_look_that_saw_the_varix(looks, verdict):
    """[OC2] Of the examined alone."""
    assert judge("obliteration", looks=looks) == verdict


@pytest.mark.parametrize(
    ("day", "early", "late"),
    [
        *((0, "happened", "did-not"), (4, "happened", "did-not"), (5, "happened", "did-not")),
        *((6, "did-not", "happened"), (364, "did-not", "happened")),
        *((365, "did-not", "happened"), (366, "did-not", "did-not")),
    ],
)
def test_an_event_counts_from_its_first_to_its_last_day(day, early, late):
    """[OC3]"""
    assert judge("early_rebleed", events=[bled(day)]) == early
    assert judge("late_rebleed", events=[bled(day)]) == late


@pytest.mark.parametrize(
    ("facts", "verdict"),
    [
        ({"seen": 29}, "missing"),
        ({"seen": 30}, "did-not"),
        ({"seen": 31}, "did-not"),
        ({"seen": 12, "events": [(12, "death", {})]}, "happened"),
        ({"seen": 31, "events": [(31, "death", {})]}, "did-not"),
    ],
)
def test_who_is_lost_before_the_last_day_is_missing(facts, verdict):
    """[OC4]"""
    assert judge("death_30_days", **facts) == verdict


@pytest.mark.parametrize("outcome", ["late_rebleed", "unplanned_reintervention"])
@pytest.mark.parametrize(
    ("seen", "verdict"),
    [(334, "missing"), (335, "did-not"), (336, "did-not"), (365, "did-not")],
)
def test_a_visit_at_twelve_months_may_come_thirty_days_early(outcome, seen, verdict):
    """[OC4] Else only who bled is counted of those who came on time.

    The planted bug it has caught: the last day of the outcome asked for again.
    """
    assert judge(outcome, seen=seen) == verdict


@pytest.mark.parametrize(
    ("outcome", "asked", "verdict"),
    [
        *(("early_rebleed", 4, "missing"), ("early_rebleed", 5, "did-not")),
        *(("late_rebleed", 334, "missing"), ("late_rebleed", 335, "did-not")),
        *(("embolism", 0, "did-not"), ("unplanned_reintervention", 0, "did-not")),
    ],
)
def test_whom_nobody_asked_is_not_free_of_a_bleed(outcome, asked, verdict):
    """[OC4] [RG18] Seen for a year: the bleed may have been treated elsewhere.

    The planted bug it has caught: the day last seen taken for the day last asked.
    """
    assert judge(outcome, seen=400, asked=asked) == verdict
    (spell,) = follow_outcome([case(seen=400, asked=asked)], BY["late_rebleed"])
    assert spell == Spell(min(asked, 365))


def test_a_death_without_a_day_is_none_of_a_time_survived():
    """[OC12] The planted bug it has caught: every death of the patient missing for good."""
    doubted = frozenset({"death"})
    for seen, verdict in ((29, "missing"), (30, "did-not"), (31, "did-not")):
        assert judge("death_30_days", seen=seen, unsure=doubted) == verdict
    over_time = packaged_definitions().over_time[1]
    for seen, days in ((364, 0), (365, 365), (366, 365)):
        assert follow_outcome([case(seen=seen, unsure=doubted)], over_time) == [Spell(days)]


def test_a_last_look_with_two_answers_tells_nothing():
    """[OC2] [OC12] The planted bug it has caught: the look before it spoke for it."""
    assert judge("obliteration", looks=[(30, "no"), (90, "")]) == "missing"
    assert judge("obliteration", looks=[(30, ""), (90, "no")]) == "happened"


@pytest.mark.parametrize("outcome", ["embolism", "death_30_days"])
@pytest.mark.parametrize(
    ("window_days", "is_due"), [(0, False), (29, False), (30, True), (31, True), (365, True)]
)
def test_nothing_counts_before_its_time_is_over(outcome, window_days, is_due):
    """[OC4] Whatever happened: young cases would else count only where something did."""
    kind = "embolism" if outcome == "embolism" else "death"
    for events, verdict in (([(3, kind, {})], "happened"), ([], "did-not")):
        told = judge(outcome, seen=60, events=events, window_days=window_days)
        assert told == (verdict if is_due else "not-due")
    assert judge("obliteration", looks=[(9, "no")], window_days=window_days) == "happened"
    assert judge("technical_success", delivered=True, window_days=window_days) == "happened"


def test_who_died_without_a_bleed_did_not_bleed():
    """[OC4] Nothing more can happen: the time is complete."""
    assert judge("late_rebleed", seen=40, events=[(40, "death", {})]) == "did-not"
    assert judge("late_rebleed", seen=40) == "missing"


@pytest.mark.parametrize(
    ("outcome", "day", "verdict"),
    [
        *(("late_rebleed", 32, "did-not"), ("late_rebleed", 33, "missing")),
        *(("late_rebleed", 364, "missing"), ("late_rebleed", 365, "missing")),
        *(("late_rebleed", 366, "missing"), ("late_rebleed", 400, "missing")),
        *(("early_rebleed", 5, "did-not"), ("early_rebleed", 6, "missing")),
        *(("late_gastric_rebleed", 32, "did-not"), ("late_gastric_rebleed", 33, "missing")),
        *(("unplanned_reintervention", 366, "did-not"), ("embolism", 31, "did-not")),
    ],
)
def test_a_death_long_after_bleeding_was_asked_for_says_nothing_of_it(outcome, day, verdict):
    """[OC4] [OC18] Asked last on day 2, it may have bled until then; who was seen, was seen.

    Caught: whoever was dead at last did not bleed within the year, also where nobody had asked
    for 290 days before the death.
    """
    told = judge(outcome, seen=day, asked=2, events=[(day, "death", {})])

    assert told == verdict
    spells = [
        follow_outcome([case(seen=day, asked=2, events=events)], BY["late_rebleed"])
        for events in ([(day, "death", {})], [])
    ]
    # A curve ends there as it does for the living.
    assert (spells[0] == spells[1] == [Spell(2)]) == (day > 32)


def test_nobody_is_free_of_a_bleed_on_days_of_which_nobody_asked():
    """[OC6] [OC18] Caught: asked on day 10 and dead on day 300, 290 unasked days were at risk."""
    bleeds, deaths = packaged_definitions().over_time
    late = case(seen=300, asked=10, events=[(300, "death", {})])
    soon = case(seen=300, asked=270, events=[(300, "death", {})])
    without_day = case(seen=300, asked=290, events=[(300, "death", {})], unsure={"rebleed"})

    assert follow_outcome([late, soon, without_day], bleeds) == [
        Spell(10),
        Spell(300, "death"),
        Spell(0),
    ]
    assert follow_outcome([late, soon], deaths) == [Spell(300, "death")] * 2


def test_any_reintervention_counts_whoever_had_planned_it():
    """[OC5] Caught: of three further treatments only the unplanned one was told anywhere."""
    for planned in (True, False, None):
        assert judge("reintervention", events=[(90, "reintervention", {"planned": planned})]) == (
            "happened"
        )
    assert judge("reintervention", seen=335) == "did-not"
    assert judge("reintervention", seen=334) == "missing"


def test_what_is_told_one_sidedly_counts_for_nothing():
    """[OC12] [RG18] The planted bug it has caught: who bled counted, and nobody else."""
    for kind, outcome, events in (
        ("rebleed", "late_rebleed", [bled(20)]),
        ("embolism", "embolism", [(3, "embolism", {})]),
        ("death", "death_30_days", [(3, "death", {})]),
    ):
        facts = {"seen": 400, "unsaid": frozenset({kind})}
        for told in (events, []):
            assert judge(outcome, **facts, events=told) == "missing"
            assert judge(outcome, **facts, events=told, window_days=0) == "not-due"
            other = "unplanned_reintervention"
            assert judge(other, **facts, events=told) == "did-not"
    (spell,) = follow_outcome(
        [case(events=[bled(20)], unsaid=frozenset({"rebleed"}))], BY["late_rebleed"]
    )
    assert spell == Spell(0)


def test_an_event_of_unknown_source_is_missing_where_the_source_matters():
    """[OC5] Unless another one of the case is the one meant."""
    known, other = bled(20, "gastric-varix"), bled(20, "oesophageal-varix")
    assert judge("late_gastric_rebleed", events=[known]) == "happened"
    assert judge("late_gastric_rebleed", events=[other]) == "did-not"
    assert judge("late_gastric_rebleed", events=[bled(20)]) == "missing"
    assert judge("late_gastric_rebleed", events=[bled(20), known]) == "happened"
    assert judge("late_rebleed", events=[bled(20)]) == "happened"
    for planned, verdict in ((True, "did-not"), (False, "happened"), (None, "missing")):
        again = (90, "reintervention", {"planned": planned})
        assert judge("unplanned_reintervention", events=[again]) == verdict


def test_over_time_death_competes_and_the_last_day_seen_censors():
    """[OC6]"""
    held = {
        "bled": case(events=[bled(20), (30, "death", {})]),
        "died": case(seen=30, events=[(30, "death", {})]),
        "both": case(seen=20, events=[(20, "death", {}), bled(20)]),
        "lost": case(seen=50),
        "long": case(seen=900),
        "later": case(seen=900, events=[bled(366), (500, "death", {})]),
        "before": case(events=[bled(5), bled(40)]),
    }
    spells = follow_outcome(held.values(), BY["late_rebleed"])

    assert dict(zip(held, spells, strict=True)) == {
        "bled": Spell(20, "late_rebleed"),
        "died": Spell(30, "death"),
        "both": Spell(20, "late_rebleed"),
        "lost": Spell(50),
        "long": Spell(365),
        "later": Spell(365),
        "before": Spell(40, "late_rebleed"),
    }
    (unknown,) = follow_outcome([case(events=[bled(20)])], BY["late_gastric_rebleed"])
    assert unknown == Spell(20, "unknown")
    (dead,) = follow_outcome([held["died"]], BY["death_6_weeks"])
    assert dead == Spell(30, "death_6_weeks")
    with pytest.raises(OutcomeError, match="no event over time"):
        follow_outcome([], BY["obliteration"])


def test_counts_of_a_unit_add_up_and_agree_with_the_curve_where_nobody_is_lost():
    """[OC7] Two ways to one share, for draws nobody chose."""
    chance = random.Random(31)
    for _ in range(40):
        held = [
            case(
                seen=400,
                unit=chance.choice(("a", "b", "c")),
                events=[bled(chance.randint(0, 400)) for _ in range(chance.randint(0, 2))],
            )
            for _ in range(chance.randint(1, 30))
        ]
        held += [case(seen=chance.randint(0, 334), unit="lost")]
        counts = {one.unit: one for one in count_outcome(held, BY["late_rebleed"])}
        assert list(counts) == list(dict.fromkeys(one.unit for one in held))
        assert sum(one.of + one.missing + one.not_due for one in counts.values()) == len(held)
        assert (counts["lost"].of, counts["lost"].missing) == (0, 1)
        whole = [one for one in held if one.unit != "lost"]
        steps = estimate_incidence(follow_outcome(whole, BY["late_rebleed"]), "late_rebleed")
        happened = sum(counts[unit].happened for unit in counts)
        assert (steps[-1].share if steps else 0) == pytest.approx(happened / len(whole))


def test_every_definition_says_where_it_comes_from():
    held = packaged_definitions()
    assert len(BY) >= 10
    named = [*held.rows, *held.over_time, *held.amounts, held.windows, held.sums]
    assert all(one.definition.endswith(".") and one.source for one in named)
    assert all(one.source for one in held.bands)


@pytest.mark.parametrize(
    ("field", "numbers", "names"),
    [
        ("child_class", (4, 5, 6, 7, 9, 10, 15), ("", "A", "A", "B", "B", "C", "C")),
        ("meld_band", (10, 11, 18, 19), ("under-11", "11-to-18", "11-to-18", "from-19")),
        (
            "size_band",
            (9_999, 10_000, 20_000, 20_001),
            ("under-10-mm", "10-to-20-mm", "10-to-20-mm", "over-20-mm"),
        ),
        ("age_band", (39, 40, 59, 60, 79, 80), ()),
        ("age_band", (None,), ("",)),
    ],
)
def test_bands_begin_where_they_say(field, numbers, names):
    (bands,) = (one for one in packaged_definitions().bands if one.field == field)
    found = tuple(bands.name_of(number) for number in numbers)
    if not names:
        names = ("under-40", "40-to-59", "40-to-59", "60-to-79", "60-to-79", "from-80")
    assert found == names


def _file(*rows, **more):
    file = json.loads(msgspec.json.encode(packaged_definitions()))
    sums = {**file["sums"], "outcomes": []}
    return json.dumps({**file, "rows": rows, "sums": sums, **more}).encode()


_ROW = {
    **{"outcome": "o", "group": "success", "definition": "D.", "source": "s"},
    **{"basis": "published", "fact": "look"},
}


@pytest.mark.parametrize(
    "change",
    [
        {"fact": "look", "event": "rebleed"},
        {"fact": "event"},
        {"fact": "guess"},
        {"fact": "event", "event": "rebleed", "from_day": 6, "until_day": 5},
        {"fact": "event", "event": "embolism", "asked_before_death_days": 30},
        {"fact": "event", "event": "rebleed", "asked_before_death_days": -1},
        {"fact": "look", "from_day": 1, "until_day": 0},
        {"fact": "look", "watched_from": 9},
        {"fact": "look", "from_day": 6, "until_day": 9, "watched_from": 5},
        {"fact": "look", "from_day": 6, "until_day": 9, "watched_from": 10},
        {"fact": "look", "colour": "red"},
    ],
)
def test_definitions_that_contradict_themselves_are_refused(change):
    with pytest.raises(OutcomeError, match="Correct"):
        read_definitions(_file({**_ROW, **change}))


def test_one_outcome_has_one_definition():
    assert list(read_definitions(_file(_ROW)).by_outcome) == ["o"]
    with pytest.raises(OutcomeError, match="another"):
        read_definitions(_file(_ROW, _ROW))


def test_only_what_is_defined_is_followed():
    with pytest.raises(OutcomeError, match="Define it first"):
        read_definitions(_file(_ROW, over_time=[{**_ROW, "outcome": "p"}]))
    sums = json.loads(msgspec.json.encode(packaged_definitions().sums))
    with pytest.raises(OutcomeError, match="Define it first"):
        read_definitions(_file(_ROW, sums={**sums, "outcomes": ["q"]}))
