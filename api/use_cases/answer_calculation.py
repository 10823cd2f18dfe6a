"""Answer a clinical calculation from the rule files that this release carries."""

from functools import cache
from typing import Any

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from api.use_cases.errors import CalculationError


def answer_calculation(kind: str, request: bytes | dict[str, Any], *, on: str) -> dict[str, Any]:
    """Return what the clinical rules answer.

    Parameters
    ----------
    kind : str
        liver-scores, sizing, follow-up, antithrombotic-holds or device-label.
    request : bytes or dict
        One JSON object, as bytes or parsed.
    on : str
        Civil date whose rule files are in force.

    Raises
    ------
    CalculationError
        An unknown kind, bad input, or nothing at all could be computed.
    """
    try:
        answer: dict[str, Any] = calculate(kind, request, _rule_book(on))
    except CalculationRefusedError as error:
        raise CalculationError(str(error), error.answer) from error
    except RuleFileError as error:
        raise CalculationError(str(error)) from error
    return answer


@cache
def _packaged_contents() -> dict[str, bytes]:
    return read_packaged_rule_files()


def _rule_book(on: str) -> RuleBook:
    return RuleBook(_packaged_contents(), on=on)
