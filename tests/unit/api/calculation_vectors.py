"""Runs the vectors of the clinical rules; tests/conformance/README.md tells their form."""

from typing import Any

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import StepEvent, follow_protocol, read_protocol
from tests.unit.api.inner_engines import read_procedure


def holds_within(expected: Any, found: Any) -> bool:
    """Say whether all that is expected is found: objects key by key, all else whole."""
    if isinstance(expected, dict) and isinstance(found, dict):
        return all(
            key in found and holds_within(content, found[key]) for key, content in expected.items()
        )
    return type(expected) is type(found) and expected == found


def answer_or_refusal(kind: str, request: Any, rule_book: RuleBook) -> tuple[Any, str | None]:
    """Return the answer, and the sentence of the refusal when it was refused."""
    try:
        return calculate(kind, request, rule_book), None
    except CalculationRefusedError as error:
        return error.answer, str(error)


def check_case(case: dict[str, Any], rule_book: RuleBook) -> None:
    """Assert that the engine answers one vector as expected."""
    kind, request = case["given"]["kind"], case["given"]["request"]
    expected = case["expect"]
    answer, refused = answer_or_refusal(kind, request, rule_book)
    if "refused" in expected:
        assert refused is not None, answer
        assert expected["refused"] in refused
        assert holds_within(expected["answer"], answer), answer
        return
    assert refused is None, refused
    if "first" in expected:
        expected, answer = expected["first"], answer["holds"][0]
    assert holds_within(expected, answer), answer


def check_paths(case: dict[str, Any], rule_book: RuleBook) -> None:
    """Assert that the answer holds what a vector of sizing or follow-up expects at each path."""
    given, expect = case["given"], dict(case["expect"])
    answer, refused = answer_or_refusal(given["kind"], given["request"], rule_book)
    if "refused" in expect or refused is not None:
        assert expect.pop("refused", "no refusal") in (refused or ""), answer
        assert not expect, "a refusal is compared alone"
        return
    found = {caution["id"] for caution in answer.get("cautions", [])}
    assert found >= set(expect.pop("cautions.ids", []))
    assert not found & set(expect.pop("cautions.without", []))
    planned = {visit["visit"] for visit in answer.get("visits", [])}
    assert not planned & set(expect.pop("visits.absent", []))
    assert {path: step_into(answer, path) for path in expect} == expect


def step_into(answer: Any, path: str) -> Any:
    """Return the part of an answer at a path; a visit is found by its name."""
    for key in path.split("."):
        if isinstance(answer, list):
            found = [one for one in answer if isinstance(one, dict) and one.get("visit") == key]
            answer = found[0] if found else answer[int(key)]
        else:
            answer = answer[key]
    return answer


def check_procedure(case: dict[str, Any], rule_book: RuleBook) -> None:
    """Assert that the step protocol stands where a vector expects it."""
    expect = case["expect"]
    progress = follow_protocol(read_protocol(rule_book), *read_procedure(case["given"]))
    shown = {
        "step": progress.step,
        "phase": progress.phase,
        "round": {
            key: getattr(progress.round, key)
            for key in ("target", "puncture", "coil", "aliquot")
            if getattr(progress.round, key) is not None
        },
        "choices": list(progress.choices),
        "gates": [f"{gate.id} {gate.level}" for gate in progress.gates],
        "is_finished": progress.is_finished,
    }
    assert {key: shown[key] for key in expect} == expect


def check_walk(case: dict[str, Any], rule_book: RuleBook) -> None:
    """Assert that pressing the primary action leads through the steps that a vector lists."""
    steps = read_protocol(rule_book)
    by_id = {step.id: step for step in steps}
    targets, events = read_procedure({**case["given"], "events": []})
    walked: list[str] = []
    while (now := follow_protocol(steps, targets, events)).step is not None:
        move = now.choices[0] if now.choices else None
        events.append(StepEvent(now.step, now.round, move=move))
        step = by_id.get(now.step)
        walked.append(
            f"{step.number} {step.phase}: {step.id}, {step.takes}" if step else move or ""
        )
        assert len(walked) <= len(case["expect"]), walked
    assert walked == case["expect"]
