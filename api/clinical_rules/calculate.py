"""One way into every calculation: a kind and a request in, an answer with its sources out."""

from collections.abc import Callable, Mapping

import msgspec

from api.clinical_rules.antithrombotic_holds import answer_antithrombotic_holds
from api.clinical_rules.device_label import answer_device_label
from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.follow_up import answer_follow_up
from api.clinical_rules.liver_scores import answer_liver_scores
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.sizing import answer_sizing

Calculation = Callable[[dict[str, object], RuleBook], dict[str, object]]

CALCULATIONS: Mapping[str, Calculation] = {
    "liver-scores": answer_liver_scores,
    "sizing": answer_sizing,
    "follow-up": answer_follow_up,
    "antithrombotic-holds": answer_antithrombotic_holds,
    "device-label": answer_device_label,
}


def calculate(
    kind: str, request: bytes | dict[str, object], rule_book: RuleBook
) -> dict[str, object]:
    """Return the answer of one kind of calculation.

    Parameters
    ----------
    kind : str
        One of the keys of `CALCULATIONS`.
    request : bytes or dict
        One JSON object, as bytes or parsed.
    rule_book : RuleBook
        The rule files in force on the day of the calculation.

    Returns
    -------
    dict
        Ready for JSON, with ``rule_files`` and ``mode``, training or live.

    Raises
    ------
    CalculationRefusedError
        Unknown kind, no JSON object, a wrong key or type, or nothing could be calculated; in the
        last case its `answer` is the whole answer.
    """
    content = read_request(kind, request)
    try:
        return _say_mode(CALCULATIONS[kind](content, rule_book), rule_book)
    except ShapeError as error:
        raise CalculationRefusedError(str(error)) from error
    except CalculationRefusedError as error:
        raise CalculationRefusedError(str(error), _say_mode(error.answer, rule_book)) from error


def read_request(kind: str, request: bytes | dict[str, object]) -> dict[str, object]:
    """Return the object that a request of one kind holds.

    Raises
    ------
    CalculationRefusedError
        Unknown kind, or no JSON object.
    """
    if kind not in CALCULATIONS:
        sentence = f"There is no calculation {kind}. Ask for one of {', '.join(CALCULATIONS)}."
        raise CalculationRefusedError(sentence)
    content: object = request
    if isinstance(request, bytes):
        try:
            content = msgspec.json.decode(request)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
            sentence = f"The request is no JSON ({error}). Send one JSON object."
            raise CalculationRefusedError(sentence) from error
    if not isinstance(content, dict):
        sentence = "The request must be one JSON object. Send its keys within braces."
        raise CalculationRefusedError(sentence)
    return content


def _say_mode(answer: dict[str, object], rule_book: RuleBook) -> dict[str, object]:
    """Return the answer with the mode in which it was made: training or live (RL5)."""
    return {**answer, "mode": "training" if rule_book.is_training else "live"} if answer else answer
