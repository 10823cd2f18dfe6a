"""Runs the vectors of `calculate`; the form of `expect` is told in tests/conformance/README.md."""

from typing import Any

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.rule_book import RuleBook


def holds_within(expected: Any, found: Any) -> bool:
    """Say whether all that is expected is found: objects key by key, all else whole."""
    if isinstance(expected, dict) and isinstance(found, dict):
        return all(
            key in found and holds_within(content, found[key]) for key, content in expected.items()
        )
    return type(expected) is type(found) and expected == found


def check_case(case: dict[str, Any], rule_book: RuleBook) -> None:
    """Assert that the engine answers one vector as expected."""
    kind, request = case["given"]["kind"], case["given"]["request"]
    expected = case["expect"]
    refused = None
    try:
        answer = calculate(kind, request, rule_book)
    except CalculationRefusedError as error:
        refused, answer = str(error), error.answer
    if "refused" in expected:
        assert refused is not None, answer
        assert expected["refused"] in refused
        assert holds_within(expected["answer"], answer), answer
        return
    assert refused is None, refused
    if "first" in expected:
        expected, answer = expected["first"], answer["holds"][0]  # type: ignore[index]
    assert holds_within(expected, answer), answer
