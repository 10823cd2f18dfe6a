"""The named vectors and clinical checks of the Python engine, each run over any rule book.

They are those that the unit tests run: the cases are taken from the tests themselves, and a test
calculates with the rule book of its module, which is another one while a check runs.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Row, RuleFile
from tests.unit.api import (
    test_adverse_events,
    test_antithrombotic_holds,
    test_clinic_rules,
    test_clinical_checks,
    test_clinical_checks_sizing,
    test_gates,
    test_liver_scores,
    test_path_vectors,
    test_plan_vectors,
)

# Module, the name under which it keeps or gets its rule book, and its tests that run cases.
SUITES: tuple[tuple[ModuleType, str, tuple[Callable[..., None], ...]], ...] = (
    (test_liver_scores, "RULE_BOOK", (test_liver_scores.test_the_engine_answers_the_vectors,)),
    (
        test_antithrombotic_holds,
        "RULE_BOOK",
        (test_antithrombotic_holds.test_the_engine_answers_the_vectors,),
    ),
    (
        test_plan_vectors,
        "BOOK",
        (
            test_plan_vectors.test_calculation_answers_to_its_vector,
            test_plan_vectors.test_protocol_answers_to_its_vector,
            test_plan_vectors.test_the_walk_through_the_protocol_is_that_of_its_vector,
        ),
    ),
    (
        test_path_vectors,
        "packaged_rule_book",
        (test_path_vectors.test_the_engine_answers_to_its_vector,),
    ),
    (test_adverse_events, "BOOK", (test_adverse_events.test_the_engine_answers_the_vectors,)),
    (test_clinic_rules, "BOOK", (test_clinic_rules.test_the_rule_files_answer_to_their_case,)),
    (test_gates, "BOOK", (test_gates.test_gates_answer_to_their_vector,)),
    (test_clinical_checks, "RULE_BOOK", (test_clinical_checks.test_the_published_figure_is_met,)),
    (
        test_clinical_checks_sizing,
        "RULE_BOOK",
        (test_clinical_checks_sizing.test_the_published_figure_is_met,),
    ),
)


@dataclass(frozen=True)
class NamedCheck:
    """One vector or clinical check; `run` raises when the rule book does not meet it."""

    name: str
    run: Callable[[RuleBook], None]


def read_named_checks() -> list[NamedCheck]:
    """Return every named check in the order of the files."""
    return [
        NamedCheck(name, _bind(module, attribute, test, case))
        for module, attribute, tests in SUITES
        for test in tests
        for name, case in _read_cases(test)
    ]


def _read_cases(test: Callable[..., None]) -> Iterator[tuple[str, Any]]:
    """Return name and content of each case that a test is parametrized with."""
    (mark,) = [one for one in test.pytestmark if one.name == "parametrize"]  # type: ignore[attr-defined]
    names = mark.kwargs.get("ids") or [None] * len(mark.args[1])
    for case, name in zip(mark.args[1], names, strict=True):
        if hasattr(case, "values") and hasattr(case, "marks"):
            yield str(case.id), case.values[0]
        else:
            yield str(name), case


def _bind(
    module: ModuleType, attribute: str, test: Callable[..., None], case: Any
) -> Callable[[RuleBook], None]:
    def run(rule_book: RuleBook) -> None:
        with _replaced(module, attribute, rule_book):
            test(case)

    return run


@contextmanager
def _replaced(module: ModuleType, attribute: str, rule_book: RuleBook) -> Iterator[None]:
    own = getattr(module, attribute)
    setattr(module, attribute, (lambda: rule_book) if callable(own) else rule_book)
    try:
        yield
    finally:
        setattr(module, attribute, own)


class WatchedRuleBook(RuleBook):
    """A rule book that keeps the paths of the rule files that were asked for."""

    asked: set[str]

    def rule_file_version(self, name: str, version: int, row_type: type[Row]) -> RuleFile[Any]:
        """Return the rule file, and remember its path."""
        self.asked.add(f"{name}.v{version}.json")
        return super().rule_file_version(name, version, row_type)
