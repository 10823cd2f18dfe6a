"""How long the network's records say that a patient was watched: looks, windows, last days."""

import msgspec
import pytest

from api.outcomes.definitions import packaged_definitions
from api.outcomes.episodes import Episode, Event, Look, judge_episode
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from tests.unit.api.registry_unit import (
    CASE,
    NOW_MS,
    PATIENT,
    TODAY,
    VISIT,
    closing,
    registry_unit,
)

ON = "2026-03-02"


@pytest.fixture
def unit(tmp_path):
    with registry_unit(tmp_path / "unit") as made:
        yield made


def test_looks_are_told_of_visits_that_took_place(unit):
    """[RG5] One opened again counts no more; one taken over says only if it is obliterated."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", doppler_flow="yes")
    unit.look("visit/v-2", on="2026-04-20", doppler_flow="no", obliterated="yes")
    unit.look("visit/v-3", on="2026-05-01", obliterated="yes")
    unit.look("visit/v-4", on="2026-05-02", obliterated="not-examined")
    unit.look("visit/v-5", on="2026-05-03", doppler_flow="yes", obliterated="yes")
    unit.look("visit/v-6", on="2026-05-04", doppler_flow="no")
    unit.write("visit/v-6", status="to-book")

    assert unit.read("registry_look") == [
        {"case": CASE, "looked_on": "2026-04-02", "flow": "yes", "doubts": []},
        {"case": CASE, "looked_on": "2026-04-20", "flow": "no", "doubts": []},
        {"case": CASE, "looked_on": "2026-05-01", "flow": "no", "doubts": []},
        {"case": CASE, "looked_on": "2026-05-03", "doubts": ["flow"]},
    ]
    assert unit.case()["seen_on"] == "2026-05-03"


def test_two_answers_at_a_look_tell_no_flow(unit):
    """[RG5] [RG3]"""
    unit.treat()
    unit.look(doppler_flow="yes")
    unit.write("visit_result/v-1", sees=False, doppler_flow="no")

    assert unit.read("registry_look") == [
        {"case": CASE, "looked_on": "2026-04-02", "doubts": ["flow"]}
    ]


@pytest.mark.parametrize(
    ("flow", "gone", "told"),
    [
        *(("no", "no", None), ("yes", "yes", None), ("no", "yes", "no"), ("yes", "no", "yes")),
        *(("no", "not-examined", "no"), ("yes", "not-examined", "yes")),
        *(("not-seen", "no", "not-seen"), ("not-seen", "yes", "not-seen")),
    ],
)
def test_a_look_that_contradicts_itself_tells_no_flow_either_way(unit, flow, gone, told):
    """[RG5] [OC12] The planted bug it has caught: no flow and not obliterated was obliterated."""
    unit.treat()
    unit.look(on="2026-03-20", doppler_flow="no")
    unit.look("visit/v-2", on="2026-04-02", doppler_flow=flow, obliterated=gone)
    last = unit.read("registry_look")[-1]
    found = read_outcomes(unit.store, OutcomeAsk(), now_ms=NOW_MS, on=TODAY, time_zone="UTC")
    (obliterated,) = (one for one in found.outcomes if one.outcome == "obliteration")

    assert (last.get("flow"), last["doubts"]) == (told, [] if told else ["flow"])
    assert (obliterated.happened, obliterated.missing) == {
        None: (0, 1),
        "yes": (0, 0),
    }.get(told, (1, 0))


def test_windows_are_counted_as_the_unit_itself_counts_them(unit):
    """[FM2] [FM9] Kept, late, missed, to come, and ended by no need."""
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02")
    unit.look("visit/v-2", on="2026-04-02")
    unit.write("visit_result/v-2", on="2026-04-03")
    unit.visit("visit/v-3", on="2026-05-31", status="to-book")
    unit.visit("visit/v-4", on=TODAY, status="to-book")
    unit.visit("visit/v-5", on="2026-04-05", status="ended", ended_because="not-needed")
    told = unit.case()
    unit.write("visit/v-4", sees=False, status="cancelled")

    assert (told["windows_due"], told["windows_kept"]) == (3, 1)
    assert unit.case()["doubts"] == ["windows_due", "windows_kept"]


def test_outcomes_are_judged_from_what_is_told(unit):
    """[OC2] [OC4] [RG5] [RG6] The records carry all that a definition asks for."""
    unit.treat()
    closing(unit, technical_success="yes", doppler_flow="none")
    unit.look(on="2026-04-02", doppler_flow="no")
    unit.act("complication/a", "2026-03-20T08:00:00+00:00", what="bleeding")
    case = unit.case()
    episode = Episode(
        unit="u",
        treated_on=case["treated_on"],
        seen_on=case["seen_on"],
        window_days=case["window_days"],
        asked_on=case["asked_on"],
        delivered=case.get("delivered"),
        flow_at_end=case.get("flow_at_end", ""),
        looks=tuple(
            Look(one["looked_on"], one.get("flow", "not-seen"))
            for one in unit.read("registry_look")
        ),
        events=tuple(
            Event(kind=one["event"], on=one["happened_on"]) for one in unit.read("registry_event")
        ),
    )

    def judge(told):
        by_outcome = packaged_definitions().by_outcome
        return {name: judge_episode(told, by) for name, by in by_outcome.items()}

    verdicts = judge(episode)
    assert verdicts["technical_success"] == verdicts["flow_gone_at_end"] == "happened"
    assert verdicts["obliteration"] == "happened"
    # It bled on day 18: until then it is known.
    assert verdicts["early_rebleed"] == verdicts["embolism"] == "did-not"
    assert verdicts["late_rebleed"] == verdicts["late_gastric_rebleed"] == "not-due"
    verdicts = judge(msgspec.structs.replace(episode, window_days=365))
    assert verdicts["late_rebleed"] == "happened"
    # Nobody said where it came from; nobody was seen for a year.
    assert verdicts["late_gastric_rebleed"] == "missing"
    assert verdicts["unplanned_reintervention"] == "missing"


def test_a_visit_entered_long_after_was_seen_on_its_own_day(unit):
    """[RG5] As those taken over from an earlier record are: the day of entry says nothing.

    The planted bug it has caught: seen until the day on which the file was taken over.
    """
    unit.treat(imported_in="past_import/i-1")
    unit.visit("visit/v-1", on="2026-03-20", status="attended")
    unit.write("visit_result/v-1", case=CASE, visit="visit/v-1", on="2026-03-20", obliterated="yes")
    one = unit.case()
    unit.visit("visit/v-2", on="2026-03-25", status="attended")

    assert one["seen_on"] == "2026-03-20"
    assert unit.case()["seen_on"] == "2026-03-25"
    assert "windows_due" not in one


def test_the_day_last_asked_is_that_of_an_answer_about_a_bleed(unit):
    """[RG18] "Not asked", no answer and two answers move it no further; a later case does.

    The planted bug it has caught: "not asked" taken for an answer.
    """
    unit.treat()
    unit.look("visit/v-1", on="2026-04-02", bled={"answer": "no"})
    unit.look("visit/v-2", on="2026-04-10", bled={"answer": "not-asked"})
    unit.look("visit/v-3", on="2026-04-11")
    unit.look("visit/v-4", on="2026-04-12", bled={"answer": "no"})
    unit.write("visit_result/v-4", sees=False, bled={"answer": "yes"})
    first = unit.case()
    unit.look("visit/v-5", on="2026-04-20", bled={"answer": "yes", "on": "2026-04-15"})
    second = unit.case()
    unit.treat("case/c-2", on="2026-05-01")
    unit.look("visit/v-6", "case/c-2", on="2026-05-10", bled={"answer": "no"})

    assert (first["asked_on"], first["seen_on"]) == ("2026-04-02", "2026-04-12")
    assert second["asked_on"] == "2026-04-20"
    assert [unit.case(name)["asked_on"] for name in (CASE, "case/c-2")] == ["2026-05-10"] * 2
    assert unit.case()["seen_on"] == "2026-05-10"


def test_a_file_that_says_nothing_of_events_or_implants_tells_nothing_of_them(unit):
    """[RG18] The planted bug it has caught: 0 coils, no adhesive, and no event at all."""
    unit.write(PATIENT, born_on="1961-07-14")
    unit.write(
        CASE, stage="closed", procedure_on=ON, patient=PATIENT, imported_in="past_import/i-1"
    )
    bare = unit.case()
    unit.write("complication/c-1-1", case=CASE, what="none")
    unit.write("coil_placed/a", case=CASE, slot=1, device={"lot": "L-0417-A"})
    told = unit.case()

    fields = ("technique", "coils_placed", "adhesive_kind", "adhesive_pure_ul")
    assert [bare.get(name) for name in fields] == [None] * 4
    assert bare["doubts"] == ["adverse_events", "bleeds"]
    assert [told.get(name) for name in fields] == ["coils", 1, "none", 0]
    assert told["doubts"] == ["bleeds"]


def test_a_window_is_due_once_it_has_closed(unit):
    """[RG19] Kept early, and still open for others: the planted bug told the kept ones alone."""
    unit.treat()
    window = {"earliest_on": "2026-05-20", "target_on": "2026-05-31", "latest_on": TODAY}
    unit.visit(status="attended", booking={"session": "", "on": "2026-05-25"})
    unit.write(VISIT, window=window)
    open_one = unit.case()
    unit.write(VISIT, window={**window, "latest_on": "2026-05-31"})
    closed = unit.case()

    assert (open_one["windows_due"], open_one["windows_kept"]) == (0, 0)
    assert (closed["windows_due"], closed["windows_kept"]) == (1, 1)
