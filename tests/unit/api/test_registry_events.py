"""What the network's records say of bleeds, deaths and further treatments after a case."""

import pytest

from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from tests.unit.api.registry_unit import CASE, NOW_MS, PATIENT, TODAY, VISIT, registry_unit

ON = "2026-03-02"


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


def test_a_bleed_is_told_by_when_it_was(unit):
    """[RG6] Before the first act, between the acts, after the last; the first is not told.

    The planted bug it has caught: a bleed on arrival told as a rebleed.
    """
    unit.treat()
    for name, at in (
        ("before", f"{ON}T09:59:00+00:00"),
        ("within", f"{ON}T10:05:00+00:00"),
        ("after", f"{ON}T18:00:00+00:00"),
        ("late", "2026-03-30T08:00:00+00:00"),
    ):
        unit.act(f"complication/{name}", at, what="bleeding")

    assert [(one["event"], one["happened_on"]) for one in unit.read("registry_event")] == [
        ("rebleed", ON),
        ("rebleed", "2026-03-30"),
        ("other", ON),
    ]


def test_events_keep_their_doubts(unit):
    """[RG6] A day that nobody entered, one before the treatment and one after today."""
    unit.treat()
    unit.write("complication/a", case=CASE, what="embolism")
    unit.act("complication/b", "2025-03-30T08:00:00+00:00", what="fever", facts={"death": False})
    unit.act("complication/c", "2027-03-30T08:00:00+00:00", what="pain")
    unit.act("complication/d", "2026-03-03T08:00:00+00:00", what="none")

    assert [
        (one["event"], one.get("happened_on"), one["doubts"]) for one in unit.read("registry_event")
    ] == [
        ("embolism", None, ["happened_on"]),
        ("other", None, ["happened_on"]),
        ("other", None, ["happened_on"]),
    ]


def test_an_event_is_graded_by_its_facts_alone(unit):
    """[RG6] Nass 2022 (AGREE): a transfusion is grade II."""
    unit.treat()
    unit.act(
        "complication/a", "2026-03-30T08:00:00+00:00", what="bleeding", facts={"transfusion": True}
    )
    unit.act("complication/b", "2026-03-30T08:00:00+00:00", what="pain")

    assert [one.get("grade") for one in unit.read("registry_event")] == ["II", None]


def bleeds(unit):
    """Return day, source and doubts of what is told of bleeds, oldest first."""
    told = [
        (one.get("happened_on"), one.get("source"), one["doubts"])
        for one in unit.read("registry_event")
        if one.get("event", "rebleed") == "rebleed"
    ]
    return sorted(told, key=str)


def test_a_bleed_told_at_a_visit_is_a_rebleed_with_its_day_and_source(unit):
    """[RG15] "No" and "not asked" are no bleed, and what a visit to be done again said is out."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", bled={"answer": "no"})
    unit.look("visit/v-2", on="2026-04-10", bled={"answer": "not-asked"})
    bled = {"answer": "yes", "on": "2026-04-15", "source": "treatment-ulcer"}
    unit.look("visit/v-3", on="2026-04-20", bled=bled)
    unit.look("visit/v-4", on="2026-05-01", bled=bled | {"on": "2026-04-25"})
    unit.write("visit/v-4", status="to-book")

    assert bleeds(unit) == [("2026-04-15", "treatment-ulcer", [])]


def test_a_bleed_told_without_its_day_has_none(unit):
    """[RG15] The planted bug it has caught: the day of the visit told as the day of the bleed."""
    unit.treat()
    unit.look(on="2026-04-02", bled={"answer": "yes", "source": "gastric-varix"})

    assert bleeds(unit) == [(None, "gastric-varix", ["happened_on"])]


def test_a_bleed_told_before_the_treatment_or_after_today_has_no_day(unit):
    """[RG15] [RG6] On the day itself, the day before, and tomorrow."""
    unit.treat()
    for number, on in enumerate((ON, "2026-03-01", "2026-06-02"), 1):
        unit.look(f"visit/v-{number}", on="2026-04-02", bled={"answer": "yes", "on": on})

    assert bleeds(unit) == [
        (ON, None, []),
        (None, None, ["happened_on"]),
        (None, None, ["happened_on"]),
    ]


def test_of_two_answers_about_a_bleed_neither_is_told(unit):
    """[RG15] [RG3] At a visit, and of the source of one told as an event.

    The planted bug it has caught: the doubt read where answers that are settled wait.
    """
    unit.treat()
    unit.look(on="2026-04-02", bled={"answer": "yes", "on": "2026-03-20"})
    unit.write("visit_result/v-1", sees=False, bled={"answer": "no"})
    unit.act("complication/a", "2026-03-30T08:00:00+00:00", what="bleeding", bleed_source="other")
    unit.write("complication/a", sees=False, bleed_source="gastric-varix")

    assert bleeds(unit) == [
        ("2026-03-30", None, ["source"]),
        (None, None, ["event", "happened_on", "source"]),
    ]


def test_a_bleed_that_is_told_at_several_places_is_one(unit):
    """[RG15] As an event, at a visit, and by the case that treated it; a second day is another.

    The planted bug it has caught: of two sources the first one told.
    """
    unit.treat("case/c-1")
    unit.act("complication/a", "2026-03-20T08:00:00+00:00", what="bleeding")
    bled = {"answer": "yes", "on": "2026-03-20", "source": "adhesive-extrusion"}
    unit.look("visit/v-1", on="2026-04-02", bled=bled)
    unit.treat("case/c-2", on="2026-03-20", indication="acute-bleed")
    one = [told for told in unit.read("registry_event") if told["case"] == CASE]
    unit.write("complication/a", bleed_source="unknown")
    known = bleeds(unit)
    unit.write("complication/a", bleed_source="oesophageal-varix")
    unit.look("visit/v-2", on="2026-04-20", bled=bled | {"on": "2026-04-01"})

    assert {told["event"] for told in one} == {"rebleed", "reintervention"}
    assert known == [("2026-03-20", "adhesive-extrusion", [])]
    assert bleeds(unit) == [
        ("2026-03-20", None, ["source"]),
        ("2026-04-01", "adhesive-extrusion", []),
    ]


def test_an_event_entered_later_is_told_by_the_day_that_was_given_for_it(unit):
    """[RG15] Its instant says when somebody tapped. Of two days given neither is told.

    The planted bug it has caught: the day of the entry told as the day of the event.
    """
    unit.treat()
    late = "2026-05-20T08:00:00+00:00"
    unit.act("complication/a", late, what="bleeding", facts={"on": "2026-03-11"})
    unit.write("complication/a", sees=False, facts={"transfusion": True})
    unit.act("complication/b", late, what="embolism", facts={"on": "2026-03-12"})
    unit.write("complication/b", sees=False, facts={"on": "2026-03-13"})
    unit.act("complication/c", late, what="bleeding", facts={"on": "2026-03-01"})

    assert [
        (one["event"], one.get("happened_on"), one.get("grade"), one["doubts"])
        for one in unit.read("registry_event")
    ] == [
        ("rebleed", "2026-03-11", "II", []),
        ("embolism", None, None, ["happened_on"]),
    ]


def test_a_later_case_is_a_reintervention_of_each_earlier_one(unit):
    """[RG6] For an acute bleed an unplanned one and a rebleed; else nobody said."""
    unit.treat("case/c-1", on="2026-03-02")
    unit.treat("case/c-2", on="2026-03-20", indication="acute-bleed")
    unit.treat("case/c-3", on="2026-05-20")
    found = {
        (one["case"], one["event"], one["happened_on"], one.get("planned"))
        for one in unit.read("registry_event")
    }

    assert found == {
        ("case/c-1", "reintervention", "2026-03-20", False),
        ("case/c-1", "rebleed", "2026-03-20", None),
        ("case/c-1", "reintervention", "2026-05-20", None),
        ("case/c-2", "reintervention", "2026-05-20", None),
    }


def test_a_further_session_is_planned_where_the_plan_of_follow_up_holds_it(unit):
    """[RG6]"""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", retreated=True)
    unit.look("visit/v-2", on="2026-04-20", retreated=True)
    unit.write("visit/v-2", plan_visit="treatment_session")

    assert [
        (one["event"], one["happened_on"], one.get("planned"))
        for one in unit.read("registry_event")
    ] == [
        ("reintervention", "2026-04-02", None),
        ("reintervention", "2026-04-20", True),
    ]


def test_a_death_counts_by_a_clinicians_word_alone(unit):
    """[RG3] [FG6] On a device that holds care; anybody else's word is a doubt."""
    unit.treat()
    unit.visit(status="to-book")
    unit.write(VISIT, status="ended", ended_because="died", ended_on="2026-05-20")
    doubted = unit.read("registry_patient")
    vouch(unit)
    sound = unit.read("registry_patient")

    assert doubted == [{"birth_year": 1961, "sex": "female", "doubts": ["died_on"]}]
    assert sound == [{"birth_year": 1961, "sex": "female", "died_on": "2026-05-20", "doubts": []}]


def vouch(unit):
    """Make the writer of the story a clinician on a device that holds care."""
    with unit.store.transaction():
        unit.store.devices.keep("tablet-a", "Tablet A", "bedside", "token", joined_ms=1)
    unit.write("staff/s-1", name="Dr Wren", role="endoscopist", active=True)


def test_a_death_whose_day_nobody_told_is_a_doubt(unit):
    """[RG16] The planted bug it has caught: the day of the entry told as the day of the death."""
    unit.treat()
    unit.visit(status="to-book")
    unit.write(VISIT, status="ended", ended_because="died")
    vouch(unit)
    dayless = unit.read("registry_patient")[0]
    unit.write(VISIT, ended_on="2026-04-15")
    told = unit.read("registry_patient")[0]

    assert (dayless.get("died_on"), dayless["doubts"]) == (None, ["died_on"])
    assert (told["died_on"], told["doubts"]) == ("2026-04-15", [])


@pytest.mark.parametrize("day", ["2026-04-15", None])
def test_a_death_told_at_close_out_is_told_on_its_day(unit, day):
    """[RG16] As a tablet saves it there: the reason, and a visit that is made to carry the end.

    The planted bugs it has caught: a reason without a visit told of nobody as dead, and told with
    the day on which it was entered.
    """
    unit.treat()
    vouch(unit)
    alive = unit.read("registry_patient")[0]
    unit.write(CASE, no_follow_up_because="Died")
    by_reason = unit.read("registry_patient")[0]
    unit.visit("visit/c-1-died", status="ended", ended_because="died", ended_on=day)
    told = unit.read("registry_patient")[0]

    assert (alive.get("died_on"), alive["doubts"]) == (None, [])
    assert (by_reason.get("died_on"), by_reason["doubts"]) == (None, ["died_on"])
    assert (told.get("died_on"), told["doubts"]) == (day, [] if day else ["died_on"])


@pytest.mark.parametrize(
    ("on", "told"), [("2026-04-09", None), ("2026-04-10", "2026-04-10"), ("2026-04-11",) * 2]
)
def test_a_death_before_a_later_treatment_is_a_doubt(unit, on, told):
    """[RG16] The planted bug it has caught: told, and for the later case a death on day 0."""
    unit.treat(imported_in="past_import/i-1")
    unit.visit(on="2026-04-02", status="ended", ended_because="died", ended_on=on)
    unit.treat("case/c-2", on="2026-04-10")
    (patient,) = unit.read("registry_patient")

    assert patient.get("died_on") == told
    assert patient["doubts"] == ([] if told else ["deaths", "died_on"])


def end(because, on):
    return lambda unit: unit.visit("visit/v-2", status="ended", ended_because=because, ended_on=on)


def look(on, **found):
    return lambda unit: unit.look("visit/v-2", on=on, **found)


def bleed(on):
    return lambda unit: unit.act("complication/x", f"{on}T08:00:00+00:00", what="bleeding")


def look_for_another_case(unit):
    unit.treat("case/c-0", on="2026-02-27")
    unit.look("visit/v-2", "case/c-0", on="2026-05-15")


@pytest.mark.parametrize(
    ("add", "is_told"),
    [
        *((end("died", "2026-03-20"), True), (end("died", "2026-05-20"), False)),
        *((look("2026-03-19"), True), (look("2026-03-20"), True), (look("2026-03-21"), False)),
        *((look("2026-05-15", bled={"answer": "no"}), False), (look("2026-06-02"), True)),
        *((bleed("2026-03-19"), True), (bleed("2026-03-20"), True), (bleed("2026-03-21"), False)),
        *((end("declined", "2026-03-21"), False), (end("not-needed", "2026-03-21"), True)),
        (look_for_another_case, False),
    ],
)
def test_a_death_that_is_contradicted_is_told_on_no_day(unit, add, is_told):
    """[RG3] [RG16] [OC12] Several days, or something seen of the living after the day.

    Then nothing is told of death: neither that it came nor, because the patient was seen after
    day 42, that it did not. The planted bugs it has caught: the first of two days told, a death
    told though the patient was looked at eight weeks after it, and a death in doubt taken for
    none since somebody was seen later.
    """
    vouch(unit)
    unit.treat(on=ON)
    unit.visit("visit/v-1", status="ended", ended_because="died", ended_on="2026-03-20")
    add(unit)
    (patient,) = unit.read("registry_patient")
    found = read_outcomes(unit.store, OutcomeAsk(), now_ms=NOW_MS, on=TODAY, time_zone="UTC")
    deaths = [one for one in found.outcomes if one.outcome in ("death_30_days", "death_6_weeks")]
    cases = 2 if add is look_for_another_case else 1

    assert patient.get("died_on") == ("2026-03-20" if is_told else None)
    assert patient["doubts"] == ([] if is_told else ["deaths", "died_on"])
    assert [(one.happened, one.judged, one.missing) for one in deaths] == (
        [(1, 1, 0)] * 2 if is_told else [(0, 0, cases)] * 2
    )


def test_a_death_is_told_on_the_day_given_for_it(unit):
    """[RG16] Of an earlier record without a clinician's word too; of another case it is a doubt.

    The planted bug it has caught: the day of the entry told as the day of the death.
    """
    unit.treat("case/c-1", "patient/p-1", imported_in="past_import/i-1")
    unit.treat("case/c-2", "patient/p-2")
    for number in (1, 2):
        unit.write(
            f"visit/v-{number}",
            patient=f"patient/p-{number}",
            case=f"case/c-{number}",
            status="ended",
            ended_because="died",
            ended_on="2026-03-20",
        )
    told = unit.read("registry_patient")
    unit.write("visit/v-1", sees=False, ended_on="2026-03-21")

    assert [(one.get("died_on"), one["doubts"]) for one in told] == [
        ("2026-03-20", []),
        (None, ["died_on"]),
    ]
    assert unit.read("registry_patient")[0]["doubts"] == ["died_on"]


def test_a_bleed_told_under_a_later_case_is_one_of_the_earlier_too(unit):
    """[RG6] The planted bug it has caught: told of the later case alone."""
    unit.treat()
    unit.treat("case/c-2", on="2026-04-10")
    bled = {"answer": "yes", "on": "2026-04-15", "source": "gastric-varix"}
    unit.look("visit/v-1", "case/c-2", on="2026-04-20", bled=bled)
    unit.act("complication/a", "2026-04-10T10:05:00+00:00", "case/c-2", what="bleeding")

    assert {
        (one["case"], one["event"], one["happened_on"], one.get("source"))
        for one in unit.read("registry_event")
    } == {
        (CASE, "reintervention", "2026-04-10", None),
        (CASE, "rebleed", "2026-04-15", "gastric-varix"),
        ("case/c-2", "rebleed", "2026-04-15", "gastric-varix"),
        ("case/c-2", "other", "2026-04-10", None),
    }


@pytest.mark.parametrize(
    ("on", "days"),
    [
        *(("2026-04-15", ["2026-04-15"]), ("2026-04-20", ["2026-04-15"])),
        ("2026-04-21", ["2026-04-15", "2026-04-21"]),
    ],
)
def test_the_bleed_that_a_later_case_treats_is_told_once(unit, on, days):
    """[RG6] On its day and five days after it; then it is another, and of no known source.

    The planted bug it has caught: the case of the day after told as a second bleed.
    """
    unit.treat()
    bled = {"answer": "yes", "on": "2026-04-15", "source": "gastric-varix"}
    unit.look("visit/v-1", on="2026-04-28", bled=bled)
    unit.treat("case/c-2", on=on, indication="acute-bleed")
    told = bleeds(unit)

    assert [one[0] for one in told if one[2] == []] == days
    assert ("2026-04-15", "gastric-varix", []) in told


def test_a_case_of_no_known_day_may_be_a_later_one(unit):
    """[RG6] The planted bug it has caught: nothing told, and so nothing happened."""
    unit.treat()
    unit.write("case/c-2", stage="closed", patient=PATIENT, indication="acute-bleed")
    unit.write("coil_placed/c-2-1", case="case/c-2", slot=1)

    assert [(one["event"], one["doubts"]) for one in unit.read("registry_event")] == [
        ("reintervention", ["happened_on"]),
        ("rebleed", ["happened_on"]),
    ]


def test_a_planned_session_with_a_case_of_its_own_stays_planned(unit):
    """[RG6] For an acute bleed it is none. The planted bug it has caught: nobody said."""
    unit.treat()
    unit.look("visit/v-2", on="2026-04-20", retreated=True)
    unit.write("visit/v-2", plan_visit="treatment_session")
    unit.treat("case/c-2", on="2026-04-20")
    (planned,) = unit.read("registry_event")
    unit.write("case/c-2", indication="acute-bleed")

    assert (planned["happened_on"], planned["planned"]) == ("2026-04-20", True)
    assert [one.get("planned") for one in unit.read("registry_event")] == [False, None]


def test_two_answers_whether_it_was_treated_again_are_a_doubt(unit):
    """[RG6] [RG3] The planted bug it has caught: told as not treated again."""
    unit.treat()
    unit.look(retreated=True)
    unit.write("visit_result/v-1", sees=False, retreated=False)

    assert unit.read("registry_event") == [{"case": CASE, "doubts": ["event", "happened_on"]}]
