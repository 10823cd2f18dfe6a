"""[GATE-05] What the record says of the gates: came up, passed, how fast, and with what reason."""

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.use_cases.rule_health import count_rule_health
from tests.unit.api.standing_unit import Writer, texts

BLOOD = "BLOOD-RETURN no_blood_for_adhesive"
STOP = "HARD-05 stop_beyond_distance"
COUNTS = "HARD-08 counts_differ"


class Tablet(Writer):
    """A tablet that records steps and signatures, each a record of its own."""

    def step(self, case="c-1", **parts):
        number = len(self.log) + 1
        return self.write(f"step_event/s-{number}", set={"case": f"case/{case}", **parts})

    def shown(self, *causes, case="c-1"):
        return self.step(case, step="stop_set", answers={"gates_shown": list(causes)})

    def override(self, cause, shown_ms, reason="team-decision", case="c-1"):
        passed = {"gate": cause.split()[0], "cause": cause, "reason": reason, "shown_ms": shown_ms}
        return self.step(case, step="stop_set", override=passed)


@pytest.fixture
def tablet():
    return Tablet("tablet-a")


def health(unit, headers, tablet):
    answer = unit.push(headers, "tablet-a", texts(*tablet.log))
    assert answer.json()["quarantined"] == []
    return {one.rule: one for one in count_rule_health(unit.store)}


def test_a_unit_without_cases_has_no_rules_to_judge(unit, a, tablet):
    tablet.step(step="consent", outcome="done")

    assert health(unit, a, tablet) == {}


def test_one_cause_counts_once_a_case_however_often_it_was_recorded(unit, a, tablet):
    """The planted bug it has caught: entries were counted, not causes of a case."""
    tablet.shown(STOP)
    tablet.shown(STOP, BLOOD)
    tablet.shown(STOP, case="c-2")

    found = health(unit, a, tablet)

    assert {rule: one.fires for rule, one in found.items()} == {BLOOD: 1, STOP: 2}


def test_a_soft_remark_that_asks_why_is_passed_by_its_answer(unit, a, tablet):
    """[GT18] The planted bug it has caught: the reason read, the remark not counted as passed."""
    cause = "SOFT-13 device_recalled B7"
    said = [{"cause": cause, "reason": "other"}, {"reason": "of nothing"}, "no structure"]
    tablet.step(step="package_opened", answers={"gates_shown": [cause], "used_because": said})
    tablet.shown(cause, case="c-2")

    rule = health(unit, a, tablet)["SOFT-13 device_recalled"]

    assert (rule.fires, rule.overrides, rule.free_notes, rule.median_ms) == (2, 1, 1, None)


def test_a_cause_about_different_things_is_one_rule(unit, a, tablet):
    tablet.shown(f"{COUNTS} coil", f"{COUNTS} needle")

    assert health(unit, a, tablet)[COUNTS].fires == 2


def test_overrides_are_fires_too_with_their_median_and_notes(unit, a, tablet):
    for case, (shown_ms, reason) in enumerate(
        [(2_000, "tip-seen"), (9_000, "other"), (4_000, "other")]
    ):
        tablet.override(BLOOD, shown_ms, reason, case=f"c-{case}")
    tablet.shown(BLOOD, case="c-9")

    one = health(unit, a, tablet)[BLOOD]

    assert (one.fires, one.overrides, one.free_notes, one.median_ms) == (4, 3, 2, 4_000)
    assert not one.wants_review


def test_what_was_recorded_while_a_gate_stood_is_told_apart_from_passing_it(unit, a, tablet):
    """[GATE-00] Recording is never refused."""
    tablet.step(step="stop_set", answers={"gate_stood": STOP})

    one = health(unit, a, tablet)[STOP]

    assert (one.fires, one.overrides, one.recorded_anyway) == (1, 0, 1)


def test_a_signature_holds_the_gates_that_it_passed(unit, a, tablet):
    passed = {"gate": "HARD-08", "cause": f"{COUNTS} coil", "reason": "other", "shown_ms": 3_000}
    tablet.write(
        "sign_off/x-1", set={"case": "case/c-1", "outcome": {"overrides": [passed, 7, {}]}}
    )

    assert health(unit, a, tablet)[COUNTS].overrides == 1


@pytest.mark.parametrize(("fires", "overrides"), [(19, 19), (20, 10), (20, 11), (21, 11)])
def test_twenty_fires_of_which_more_than_half_were_passed_want_a_review(
    fires, overrides, unit, a, tablet
):
    for case in range(fires):
        if case < overrides:
            tablet.override(STOP, 5_000, case=f"c-{case}")
        else:
            tablet.shown(STOP, case=f"c-{case}")

    one = health(unit, a, tablet)[STOP]

    assert one.wants_review is (fires >= 20 and overrides > fires / 2)


@pytest.mark.parametrize(("shown_ms", "wants_review"), [(1_499, True), (1_500, False)])
def test_a_text_passed_faster_than_it_is_read_wants_a_review(
    shown_ms, wants_review, unit, a, tablet
):
    tablet.override(STOP, shown_ms)

    assert health(unit, a, tablet)[STOP].wants_review is wants_review


def test_what_no_tablet_of_ours_writes_is_no_rule(unit, a, tablet):
    tablet.step(answers={"gates_shown": "HARD-05"}, override={"reason": "x"})
    tablet.step(answers={"gates_shown": [None, 3], "gate_stood": 4})

    assert health(unit, a, tablet) == {}


def test_the_command_says_each_rule_in_a_line(unit, a, tablet):
    tablet.override(STOP, 1_200)
    health(unit, a, tablet)
    unit.store.close()

    said = CliRunner().invoke(main, ["rule-health", "--data", str(unit.folder)])

    assert said.exit_code == 0, said.output
    assert said.output == (
        "HARD-05 stop_beyond_distance: came up 1, passed 1 (other reason: 0), recorded all the "
        "same 0, median time to pass 1.2 s; review it\n"
        "Rules that came up: 1. Rules that want a review: 1.\n"
    )


def test_what_came_up_on_plan_and_at_close_out_counts_as_at_the_bedside(unit, a, tablet):
    """[GATE-05] Planted bug that this caught: what a signature names was not read."""
    estimated = "SOFT-03 input_estimated Varix A"
    tablet.step(step="plan", answers={"gates_shown": [estimated]})
    tablet.step(step="close_out", answers={"gates_shown": [f"{COUNTS} coil"]})
    outcome = {"gates_shown": [f"{COUNTS} needle"], "coils": 2}
    tablet.write("sign_off/o-1", set={"case": "case/c-1", "outcome": outcome})

    found = health(unit, a, tablet)

    assert {rule: one.fires for rule, one in found.items()} == {
        "SOFT-03 input_estimated": 1,
        COUNTS: 2,
    }
    assert all((one.overrides, one.recorded_anyway) == (0, 0) for one in found.values())
