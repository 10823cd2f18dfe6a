"""Answer a clinical calculation from the rule files that a unit, or this release, carries."""

from typing import Any

from api.clinical_rules.calculate import calculate, read_request
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.unit_rules import UnitRules, open_rule_book, read_unit_rules

_TRAINING = UnitRules(is_training=True)


def answer_calculation(
    kind: str, request: bytes | dict[str, Any], *, on: str, store: UnitStore | None = None
) -> dict[str, Any]:
    """Return what the clinical rules answer.

    Parameters
    ----------
    kind : str
        liver-scores, sizing, follow-up, antithrombotic-holds or device-label.
    request : bytes or dict
        One JSON object, as bytes or parsed.
    on : str
        Civil date whose rule files are in force.
    store : UnitStore, optional
        The unit that asks: once it is live, only what it has approved computes. Without one the
        answer is for training and says so.

    Raises
    ------
    CalculationError
        An unknown kind, bad input, a rule file that is not in force, or nothing at all could be
        computed.
    """
    rules = _TRAINING
    if store is not None:
        with store.transaction():
            rules = read_unit_rules(store)
    try:
        answer: dict[str, Any] = calculate(kind, request, open_rule_book(rules, on=on))
    except CalculationRefusedError as error:
        raise CalculationError(str(error), error.answer) from error
    except RuleFileError as error:
        raise CalculationError(str(error)) from error
    return answer


def read_calculation(kind: str, request: bytes) -> dict[str, Any]:
    """Return a request as it is sent to a server that answers it.

    Raises
    ------
    CalculationError
        An unknown kind, or no JSON object.
    """
    try:
        return read_request(kind, request)
    except CalculationRefusedError as error:
        raise CalculationError(str(error)) from error
