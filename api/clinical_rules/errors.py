"""Errors of the clinical rules, each with a sentence for the person who must act.

ClinicalRuleError
  RuleFileError             a rule file is wrong; the text names file, row and remedy
  ShapeError                a request has a wrong key or type; the text names the key
  CalculationRefusedError   nothing could be calculated; `answer` says why, part by part
"""


class ClinicalRuleError(Exception):
    """Anything the clinical rules refuse; the text says what to do next."""


class RuleFileError(ClinicalRuleError):
    """A rule file cannot be used; the text names the file, the row and the remedy (RF1-RF6)."""


class ShapeError(ClinicalRuleError):
    """A request has an unknown key, a wrong type or a wrong word; the text names the key."""


class CalculationRefusedError(ClinicalRuleError):
    """Nothing at all could be calculated.

    Parameters
    ----------
    sentence : str
        One sentence that says what to do next.
    answer : dict, optional
        The whole answer, with what each part lacks or refuses; empty for input of a wrong shape.
    """

    def __init__(self, sentence: str, answer: dict[str, object] | None = None) -> None:
        super().__init__(sentence)
        self.answer: dict[str, object] = answer or {}
