"""The second check: what a tablet's engine answered is computed again by the server's."""

import copy
import hashlib
import json
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from litestar.testing import TestClient

from api.app import create_app
from api.command_line import main
from api.routes import exchange
from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.use_cases import check_plans
from api.use_cases.add_staff import add_staff
from api.use_cases.check_plans import check_every_plan, check_waiting_plans
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.receive_push import receive_push
from api.use_cases.release_rule_files import (
    approve_rule_file,
    list_rule_files,
    propose_rule_file,
)
from api.use_cases.server_log import Chance, write_as_server
from sync.clock import Stamp
from sync.operation import Body, make_operation
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, Writer, forged, texts

ROOT = Path(__file__).resolve().parents[3]


def _story_plans():
    for path in sorted((ROOT / "seed_scenarios").glob("[0-9]*.json")):
        for entry in json.loads(path.read_text())["timeline"]:
            if "plan" in entry.get("set", {}):
                yield pytest.param(entry["set"]["plan"], id=path.stem)


PLANS = list(_story_plans())


def true_plan():
    """The plan of the story of secondary prophylaxis: 14 mm, two coils, 2 mL of adhesive."""
    (plan,) = [one.values[0] for one in PLANS if one.id == "02_secondary_prophylaxis"]
    return copy.deepcopy(plan)


def tampered(**coils):
    plan = true_plan()
    plan["answer"]["targets"][0]["coils"].update(coils)
    return plan


class Planner(Writer):
    """A tablet that saves plans and takes entries back."""

    def plan(self, plan, record="case/c-1", over=()):
        return self.write(record, set={"plan": plan}, over={"plan": tuple(over)} if over else {})

    def take_back(self, operation):
        number = len(self.log) + 1
        taken_back = make_operation(
            device=self.device,
            epoch=self.epoch,
            counter=number,
            previous=self.log[-1].hash,
            stream=operation.stream,
            record=operation.record,
            stamp=str(Stamp(NOON_MS + number, 0, self.device)),
            body=Body(
                salt=f"{number:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                retract=(operation.reference,),
            ),
        )
        self.log.append(taken_back)
        return taken_back


def listed(unit, headers):
    answer = unit.client.get("/api/plan-checks", headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def wait_until(is_so):
    """Wait for what another thread does; a test that waits in vain fails."""
    for _ in range(2_000):
        if is_so():
            return
        time.sleep(0.01)
    raise AssertionError


def pushed(unit, headers, *operations, device="tablet-a"):
    answer = unit.push(headers, device, texts(*operations))
    assert answer.status_code == 200, answer.text
    assert answer.json()["quarantined"] == []
    return answer


def push_content(unit, *operations):
    signature = unit.signers["tablet-a"].sign_head(operations[-1])
    return {"device": "tablet-a", "operations": texts(*operations), "signature": signature}


def check_one(unit, headers, plan):
    """Push one plan and return its verdict as listed; None where it agrees."""
    pushed(unit, headers, Planner("tablet-a").plan(plan))
    found = listed(unit, headers)
    assert found["waiting"] == 0
    assert found["agreed"] + len(found["plans"]) == 1
    return found["plans"][0] if found["plans"] else None


def test_there_are_plans_to_check():
    assert len(PLANS) >= 5


@pytest.mark.parametrize("plan", PLANS)
def test_a_plan_of_a_story_agrees(plan, unit, a):
    assert check_one(unit, a, plan) is None


def test_a_tampered_plan_differs_with_path_and_words_and_who_saved_it_when(unit, a):
    """The planted bugs it has caught: answers compared without their targets, and the plan's own
    answer handed to the comparison on both sides."""
    operation = Planner("tablet-a").plan(tampered(to=1, picks=["stock_item/coil-18-035"]))
    pushed(unit, a, operation)

    (found,) = listed(unit, a)["plans"]

    assert found == {
        "record": "case/c-1",
        "references": [operation.reference],
        "labels": ["Varix A"],
        "by": "staff/s-1",
        "stamp": operation.stamp,
        "verdict": "differs",
        "sentence": "",
        "differences": [
            {
                "path": "$.targets[0].coils.to",
                "what": "Varix A, most coils",
                "tablet": "1",
                "server": "2",
            },
            {
                "path": "$.targets[0].coils.picks",
                "what": "Varix A, coils picked",
                "tablet": "1 (coil-18-035)",
                "server": "2 (coil-18-035, coil-18-035)",
            },
        ],
        "left_out": 0,
    }


def test_an_answer_to_another_question_differs(unit, a):
    """[HAZ-02]: the axis was changed after the answer."""
    plan = true_plan()
    plan["request"]["targets"][0]["short_axis_um"] = 9000

    found = check_one(unit, a, plan)

    assert found["verdict"] == "differs"
    words = {one["what"]: (one["tablet"], one["server"]) for one in found["differences"]}
    assert words["Varix A, axis"] == ("14 mm", "9 mm")
    assert words["Varix A, most coils"] == ("2", "1")


def test_a_rule_file_of_other_bytes_cannot_be_checked(unit, a):
    plan = true_plan()
    plan["answer"]["rule_files"][2]["sha256"] = "0" * 64

    found = check_one(unit, a, plan)

    assert (found["verdict"], found["differences"]) == ("cannot-be-checked", [])
    assert "sizing/limits.v1.json has other bytes here" in found["sentence"]


def test_a_version_of_a_rule_file_that_is_not_held_cannot_be_checked(unit, a):
    plan = true_plan()
    plan["answer"]["rule_files"][0]["version"] = 99

    found = check_one(unit, a, plan)

    assert found["verdict"] == "cannot-be-checked"
    assert "sizing/coil_counts.v99.json is not held here" in found["sentence"]


def test_a_rule_file_that_the_answer_does_not_name_is_not_taken_from_those_in_force(unit, a):
    plan = true_plan()
    del plan["answer"]["rule_files"][0]

    found = check_one(unit, a, plan)

    assert found["verdict"] == "cannot-be-checked"
    assert "Plan again on a tablet" in found["sentence"]


def test_a_question_that_this_engine_refuses_cannot_be_checked_and_says_why(unit, a):
    plan = true_plan()
    plan["request"]["targets"].append(plan["request"]["targets"][0])

    found = check_one(unit, a, plan)

    assert found["verdict"] == "cannot-be-checked"
    assert found["sentence"].startswith("The rules here refuse the question: ")
    assert "Varix A" in found["sentence"]


def test_of_a_rule_file_that_the_unit_wrote_itself_the_pinned_bytes_compute(unit, a):
    """[RL6]: the unit's own version says three coils; the plan that pins it agrees with three."""
    name = "sizing/coil_counts"
    source = ROOT / f"api/clinical_rules/data/{name}.v1.json"
    own = json.loads(source.read_text()) | {"version": 1077}
    for row in own["rows"]:
        if row["from_um"] <= 14_000 < row["below_um"]:
            row["from_coils"] = row["to_coils"] = 3
    content = json.dumps(own)
    writer = Planner("tablet-a")
    propose(unit, content)
    plan = tampered(**{"from": 3, "to": 3, "picks": ["stock_item/coil-18-035"] * 3})
    target = plan["answer"]["targets"][0]
    target["packing_per_mille_from_to"] = [106, 106]
    plan["answer"]["rule_files"][0] = {
        "name": name,
        "version": 1077,
        "sha256": hashlib.sha256(content.encode()).hexdigest(),
    }

    pushed(unit, a, writer.plan(plan))

    assert listed(unit, a) == {"plans": [], "agreed": 1, "waiting": 0}


def test_in_a_conflict_each_plan_is_checked(unit, a):
    b = unit.join("tablet-b")
    pushed(unit, a, Planner("tablet-a").plan(true_plan()))
    other = Planner("tablet-b").plan(tampered(to=4))

    pushed(unit, b, other, device="tablet-b")

    found = listed(unit, a)
    assert (found["agreed"], found["waiting"]) == (1, 0)
    assert [one["references"] for one in found["plans"]] == [[other.reference]]


def test_the_same_wrong_plan_of_two_tablets_is_listed_once_with_both(unit, a):
    b = unit.join("tablet-b")
    mine, theirs = (Planner(name).plan(tampered(to=4)) for name in ("tablet-a", "tablet-b"))
    pushed(unit, a, mine)
    pushed(unit, b, theirs, device="tablet-b")

    (found,) = listed(unit, b)["plans"]

    assert sorted(found["references"]) == sorted([mine.reference, theirs.reference])


def test_a_plan_that_was_taken_back_is_no_longer_listed(unit, a):
    planner = Planner("tablet-a")
    wrong = planner.plan(tampered(to=4))
    pushed(unit, a, wrong)
    assert len(listed(unit, a)["plans"]) == 1

    pushed(unit, a, planner.take_back(wrong))

    assert listed(unit, a) == {"plans": [], "agreed": 0, "waiting": 0}


def test_a_plan_that_was_replaced_or_cleared_is_no_longer_listed(unit, a):
    planner = Planner("tablet-a")
    wrong = planner.plan(tampered(to=4))
    pushed(unit, a, wrong)
    right = planner.plan(true_plan(), over=[wrong.reference])

    pushed(unit, a, right)
    replaced = listed(unit, a)
    pushed(unit, a, planner.plan(None, over=[right.reference]))

    assert replaced == {"plans": [], "agreed": 1, "waiting": 0}
    assert listed(unit, a) == {"plans": [], "agreed": 0, "waiting": 0}


MALFORMED = [
    7,
    "plan",
    [],
    {},
    {"request": {}, "answer": {}},
    {"request": None, "answer": {"rule_files": []}},
    {"request": {}, "answer": {"rule_files": [{"name": "x"}]}},
    {"request": {}, "answer": {"rule_files": [{"name": "../x", "version": True, "sha256": ""}]}},
    {"request": {"targets": [{"label": 1}, 2]}, "answer": {"rule_files": []}},
    {"request": {"targets": 1}, "answer": {"rule_files": [], "targets": {"a": [[]]}}},
]


@pytest.mark.parametrize("plan", MALFORMED, ids=json.dumps)
def test_a_push_with_a_malformed_plan_is_acknowledged_with_all_beside_it(plan, unit, a):
    writer = Planner("tablet-a")
    operations = [writer.write(), writer.plan(plan), writer.write("puncture/p-2")]

    answer = pushed(unit, a, *operations)

    assert answer.json()["tip"]["counter"] == 3
    (found,) = listed(unit, a)["plans"]
    assert found["verdict"] == "cannot-be-checked"
    assert found["sentence"].count(".") >= 1
    assert found["differences"] == []


def test_an_engine_that_breaks_is_a_verdict_and_names_no_content(unit, a, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("Varix of Sample, Sam")

    monkeypatch.setattr(check_plans, "calculate", broken)

    found = check_one(unit, a, true_plan())

    assert found["verdict"] == "cannot-be-checked"
    assert "ZeroDivisionError" in found["sentence"]
    assert "Sample" not in found["sentence"]


def test_a_check_that_cannot_run_leaves_the_push_acknowledged_and_the_case_waiting(
    unit, a, monkeypatch, caplog
):
    def broken(*_):
        raise OSError("no disk for Sample, Sam")

    with monkeypatch.context() as patched:
        patched.setattr(check_plans, "_plans_of", broken)
        pushed(unit, a, Planner("tablet-a").plan(tampered(to=4)))
        wait_until(lambda: "OSError" in caplog.text)
        with unit.store.transaction():
            assert unit.store.plan_checks.waiting() == ["case/c-1"]

    assert "Sample" not in caplog.text
    # Whoever asks next has it checked first.
    assert len(listed(unit, a)["plans"]) == 1


def test_the_answer_to_a_push_does_not_wait_for_the_check(unit, a, monkeypatch):
    """The planted bug it has caught: the check inside `post_push`, before its answer."""
    order = []
    judge = check_plans.check_plan
    monkeypatch.setattr(
        check_plans, "check_plan", lambda *given: order.append("checked") or judge(*given)
    )
    app = create_app(unit.store, unit.environment, unit.static_files, local_key=LOCAL_KEY)

    async def watched(scope, receive, send):
        async def note(message):
            await send(message)
            if message["type"] == "http.response.body" and not message.get("more_body"):
                order.append("answered")

        await app(scope, receive, note)

    with TestClient(watched) as client:
        client.auth = unit.auth
        # The first request to another server is for a nonce.
        client.get("/api/conflicts", headers=a).raise_for_status()
        order.clear()
        content = push_content(unit, Planner("tablet-a").plan(true_plan()))
        client.post("/api/exchange/push", json=content, headers=a).raise_for_status()
        wait_until(lambda: "checked" in order)

    assert order == ["answered", "checked"]


@pytest.mark.parametrize("record", ["case/c-2", "case/c-1"], ids=["another case", "same case"])
def test_a_push_goes_before_the_plans_that_still_wait_for_their_check(unit, a, monkeypatch, record):
    """[EX6] The planted bugs it has caught: all cases in one turn; all plans of one case."""
    order, is_held = [], threading.Event()

    def held(record, *given):
        if "begun" not in order:
            order.append("begun")
            assert is_held.wait(20)
        order.append(record)
        return judge(record, *given)

    judge = check_plans.check_plan
    monkeypatch.setattr(check_plans, "check_plan", held)
    planner = Planner("tablet-a")
    app = create_app(unit.store, unit.environment, unit.static_files, local_key=LOCAL_KEY)
    around = app.state.surroundings
    receive = exchange.receive_push
    monkeypatch.setattr(
        exchange,
        "receive_push",
        lambda *given, **more: order.append("push") or receive(*given, **more),
    )
    with TestClient(app) as client:
        client.auth = unit.auth

        def push(*operations):
            content = push_content(unit, *operations)
            client.post("/api/exchange/push", json=content, headers=a).raise_for_status()

        push(planner.plan(true_plan()), planner.plan(tampered(to=4), record=record))
        wait_until(lambda: order[-1:] == ["begun"])
        second = threading.Thread(target=push, args=(planner.write("puncture/p-1"),))
        second.start()
        wait_until(lambda: around.turns._waiting)
        is_held.set()
        second.join()
        wait_until(lambda: len(order) == 5)

    assert order == ["push", "begun", "case/c-1", "push", record]


@pytest.mark.parametrize(
    ("fields", "waits"),
    [({"stage": "closed"}, False), ({"plan": {}}, True), ({"free_text": 'a "plan"'}, True)],
)
def test_a_case_waits_for_a_check_where_its_plans_may_have_changed(unit, fields, waits):
    """The planted bug it has caught: `may_change_plans` that looked at the record alone."""
    device = Device("tablet-a", "Tablet A", "bedside", None)

    receive_push(
        unit.store, device, texts(Planner("tablet-a").write("case/c-1", set=fields)), now_ms=NOON_MS
    )

    with unit.store.transaction():
        assert unit.store.plan_checks.waiting() == (["case/c-1"] if waits else [])


def test_a_plan_taken_back_makes_its_case_wait_again(unit):
    """The planted bug it has caught: `may_change_plans` that looked for plans alone."""
    device = Device("tablet-a", "Tablet A", "bedside", None)
    planner = Planner("tablet-a")
    plan = planner.plan(true_plan())
    receive_push(unit.store, device, texts(plan), now_ms=NOON_MS)
    check_waiting_plans(unit.store)

    receive_push(unit.store, device, texts(planner.take_back(plan)), now_ms=NOON_MS)

    with unit.store.transaction():
        assert unit.store.plan_checks.waiting() == ["case/c-1"]


def test_a_plan_whose_check_was_cut_off_is_checked_when_somebody_asks(unit, a):
    """A server that stops between the commit and the check."""
    device = Device("tablet-a", "Tablet A", "bedside", None)
    plan = Planner("tablet-a").plan(tampered(to=4))
    signature = unit.signers["tablet-a"].sign_head(plan)

    receive_push(unit.store, device, texts(plan), now_ms=NOON_MS, signature=signature)

    with unit.store.transaction():
        assert unit.store.plan_checks.waiting() == ["case/c-1"]
    assert len(listed(unit, a)["plans"]) == 1


def test_a_plan_that_comes_during_a_check_is_not_covered_by_its_verdict(unit, a, monkeypatch):
    """The planted bug it has caught: verdicts kept without looking at the case again."""
    device = Device("tablet-a", "Tablet A", "bedside", None)
    planner, sign = Planner("tablet-a"), unit.signers["tablet-a"].sign_head
    first = planner.plan(true_plan())
    receive_push(unit.store, device, texts(first), now_ms=NOON_MS, signature=sign(first))
    judge = check_plans.check_plan

    def push_meanwhile(*given):
        monkeypatch.setattr(check_plans, "check_plan", judge)
        second = planner.plan(tampered(to=4), over=[first.reference])
        receive_push(unit.store, device, texts(second), now_ms=NOON_MS, signature=sign(second))
        return judge(*given)

    monkeypatch.setattr(check_plans, "check_plan", push_meanwhile)
    check_waiting_plans(unit.store)

    with unit.store.transaction():
        assert unit.store.plan_checks.waiting() == ["case/c-1"]
        assert unit.store.plan_checks.found(["care"]) == ([], 1)
    assert [one["verdict"] for one in listed(unit, a)["plans"]] == ["differs"]


def test_a_plan_before_an_operation_that_is_set_aside_is_checked_too(unit, a):
    planner = Planner("tablet-a")
    operations = texts(planner.plan(tampered(to=4)))
    bad = forged(planner.write())

    answer = unit.push(a, "tablet-a", [*operations, bad, *texts(planner.write("puncture/p-2"))])

    assert len(answer.json()["quarantined"]) == 1
    assert len(listed(unit, a)["plans"]) == 1


def test_a_booking_device_hears_of_no_plan(unit, a):
    """The planted bug it has caught: verdicts read without asking for the stream."""
    desk = unit.join("desk-c", "booking")
    pushed(unit, a, Planner("tablet-a").plan(tampered(to=4)))

    assert listed(unit, desk) == {"plans": [], "agreed": 0, "waiting": 0}
    assert len(listed(unit, a)["plans"]) == 1
    assert unit.client.get("/api/plan-checks").status_code == 401


def test_the_mode_of_a_plan_is_compared_with_that_of_the_unit(unit, a):
    """[RL5]: a plan made in training in a unit that is live differs; an older one names none."""
    writer = Planner("tablet-a")
    go_live(unit)
    by_mode = {}
    for mode in ("training", "live"):
        by_mode[mode] = true_plan()
        by_mode[mode]["answer"]["mode"] = mode
    pushed(
        unit,
        a,
        writer.plan(by_mode["training"], "case/c-1"),
        writer.plan(by_mode["live"], "case/c-2"),
        writer.plan(true_plan(), "case/c-3"),
    )

    found = listed(unit, a)

    assert found["agreed"] == 2
    assert [(one["record"], one["differences"]) for one in found["plans"]] == [
        (
            "case/c-1",
            [{"path": "$.mode", "what": "Mode", "tablet": "training", "server": "live"}],
        )
    ]


def test_a_plan_by_rule_files_that_were_not_in_force_cannot_be_vouched_for(unit, a):
    """[RL5] [HARD-07]: the numbers agree, and still nobody had approved the limits.

    Planted bug that this caught: a draft pinned in a live plan passed as agreeing.
    """
    go_live(unit, but="sizing/limits")

    found = check_one(unit, a, true_plan())

    assert found["verdict"] == "cannot-be-checked"
    assert "sizing/limits version 1 was not in force when the plan was made" in found["sentence"]


def chance(unit):
    return Chance(
        new_id=unit.environment.new_id(),
        new_epoch="epoch1",
        salt=unit.environment.new_salt(),
        now_ms=1_000,
    )


def propose(unit, content):
    """Put a rule file of the unit's own into its record, as the server does."""
    person = add_staff(unit.store, "Dr Wren", "endoscopist", chance=chance(unit))
    propose_rule_file(unit.store, content.encode(), by=person, chance=chance(unit))


def go_live(unit, but=""):
    """Let two people approve every version held here but one, and write that the unit is live."""
    people = [
        add_staff(unit.store, name, role, chance=chance(unit))
        for name, role in (("Dr Wren", "endoscopist"), ("Pell", "data-manager"))
    ]
    on = unit.environment.today()
    for line in list_rule_files(unit.store, on=on):
        if line.name != but:
            for person in people:
                approve_rule_file(
                    unit.store,
                    line.name,
                    line.version,
                    by=person,
                    from_on=on,
                    on=on,
                    chance=chance(unit),
                )
    with unit.store.transaction():
        write_as_server(
            unit.store,
            "site/s-1",
            {"live_from": on},
            by=people[0],
            because="the unit went live",
            chance=chance(unit),
        )


def test_many_differences_are_cut_and_counted(unit, a):
    plan = true_plan()
    plan["answer"]["needle"]["passes"] = {f"stock_item/x-{number}": True for number in range(60)}

    found = check_one(unit, a, plan)

    assert len(found["differences"]) == check_plans.MOST_DIFFERENCES
    # 60 coils that the server does not know, and the 10 of the shelf that the tablet lacks.
    assert found["left_out"] == 70 - check_plans.MOST_DIFFERENCES


def test_rebuilt_views_bring_every_verdict_anew(unit, a):
    pushed(unit, a, Planner("tablet-a").plan(tampered(to=4)))
    before = listed(unit, a)
    with unit.store.transaction():
        unit.store.plan_checks.keep("case/c-1", [])
        unit.store.plan_checks.keep("case/gone", [])
    assert listed(unit, a)["plans"] == []

    assert rebuild_views(unit.store) == 1

    assert listed(unit, a) == before
    again = check_every_plan(unit.store)
    assert (len(again.plans), again.agreed, again.waiting) == (1, 0, 0)


def _command(folder):
    return CliRunner().invoke(main, ["check-plans", "--data", str(folder)])


def test_the_command_names_every_plan_that_differs_or_cannot_be_checked(tmp_path):
    device = Device("tablet-a", "Tablet A", "bedside", None)
    planner = Planner("tablet-a")
    operations = [
        planner.plan(true_plan(), "case/c-1"),
        planner.plan(tampered(to=1), "case/c-2"),
        planner.plan({"request": {"targets": []}, "answer": {}}, "case/c-3"),
    ]
    store = open_unit_store(tmp_path, new_generation="generation-1")
    receive_push(store, device, texts(*operations[:1]), now_ms=NOON_MS)
    store.close()

    alone = _command(tmp_path)
    store = open_unit_store(tmp_path, new_generation="generation-1")
    receive_push(store, device, texts(*operations[1:]), now_ms=NOON_MS)
    store.close()
    all_three = _command(tmp_path)

    assert (alone.exit_code, alone.stdout, alone.stderr) == (
        0,
        "Plans that agree: 1. Plans that differ or cannot be checked: 0.\n",
        "",
    )
    assert all_three.exit_code == 2
    assert all_three.stdout == "Plans that agree: 1. Plans that differ or cannot be checked: 2.\n"
    assert all_three.stderr.splitlines() == [
        "case/c-2 (Varix A), saved by staff/s-1:",
        "  Varix A, most coils: tablet 1, server 2 ($.targets[0].coils.to)",
        "case/c-3 (no target named), saved by staff/s-1:",
        "  cannot be checked. The plan does not hold a question, an answer and the rule files it "
        "used. Plan again on the tablet.",
    ]
