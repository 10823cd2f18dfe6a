"""Gates: what of the tool's own output is withheld now, why, and who may go on.

The tool may withhold its own number, the word "done", a signature or a letter. It never refuses
to record what people did (GATE-00): no answer of this module can say so.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Literal

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.gate_conditions import CONDITIONS
from api.clinical_rules.gate_facts import READ_FACTS
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, RuleFile, path_of
from api.clinical_rules.sizing_limits import LimitRow, Limits

GATES = "gates/default"
LIMITS = "sizing/limits"
OTHER_REASON = "other"

_MOST_WORDS = 20
_MOST_REASONS = 6
_PLACE = re.compile(r"\{([a-z_]+)\}")


class Reason(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One reason to press; ``other`` is offered with every gate and stands in no row."""

    id: str
    words: str


class GateRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One gate or soft remark under one condition of `CONDITIONS`.

    A limit stands in the row (``limit``, in ``limit_unit``) or is an item of sizing/limits
    (``limit_item``). ``unless`` names the condition of an earlier row that takes this one's place.
    """

    id: str
    when: str
    level: Literal["hard", "soft"]
    withholds: tuple[Literal["number", "done", "signature", "letter"], ...]
    text: str
    reasons: tuple[Reason, ...]
    owner: str
    may_pass: Literal["nobody", "endoscopist", "endoscopist-and-second-person"] | None = None
    leaves: str | None = None
    limit: int | None = None
    limit_unit: str | None = None
    limit_item: str | None = None
    unless: str | None = None


def find_gates(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return the gates and soft remarks that the facts raise.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of `gates` in RULES.md, all optional: lengths in micrometres,
        amounts in microlitres, times in milliseconds. A fact left out raises nothing.
    rule_book : RuleBook
        Holds ``gates/default`` and ``sizing/limits``.

    Returns
    -------
    dict
        ``gates`` in the order of the rows, and ``rule_files``.

    Raises
    ------
    ShapeError
        A key, type or word among the facts is wrong.
    RuleFileError
        A row contradicts itself, or a limit it names is not there.

    Notes
    -----
    Rules GT1-GT14, GT17, GT18. Pure. A file that nobody has approved yet still holds back: a
    missing approval withholds more, never less.

    References
    ----------
    Named in the rule file, row by row; this function knows no limits.
    """
    facts = READ_FACTS(request, "")
    gates = rule_book.rule_file_or_listed(GATES, GateRow)
    limits_file = rule_book.rule_file_or_listed(LIMITS, LimitRow)
    refuse_row_faults(gates)
    limits = Limits(limits_file)
    raised_before = set(facts.get("already_raised", ()))
    raised_now: set[str] = set()
    found: list[dict[str, object]] = []
    for row in gates.rows:
        condition = CONDITIONS[row.when]
        if row.unless in raised_now or any(fact not in facts for fact in condition.needs):
            continue
        limit = limits[row.limit_item] if row.limit_item is not None else row.limit or 0
        for finding in condition.find(facts, limit):
            raised_now.add(row.when)
            cause = f"{row.id} {row.when}" + (f" {finding.about}" if finding.about else "")
            used = [fact for fact in (*condition.needs, *condition.uses) if fact in facts]
            found.append(_gate(row, finding.places, cause, used, is_quiet=cause in raised_before))
            raised_before.add(cause)
    return {"gates": found, "rule_files": name_rule_files(gates, limits_file)}


def _gate(
    row: GateRow, places: Mapping[str, str], cause: str, used: list[str], *, is_quiet: bool
) -> dict[str, object]:
    return {
        "id": row.id,
        "cause": cause,
        "level": row.level,
        "text": _PLACE.sub(lambda place: places[place[1]], row.text),
        "withholds": list(row.withholds),
        "may_pass": row.may_pass,
        "reasons": [{"id": reason.id, "words": reason.words} for reason in row.reasons],
        "leaves": row.leaves,
        "quiet": is_quiet,
        "inputs": used,
        "owner": row.owner,
        "basis": row.basis,
        "source": row.source,
    }


def refuse_row_faults(gates: RuleFile[GateRow]) -> None:
    """Refuse rows that contradict themselves or say too much.

    Raises
    ------
    RuleFileError
        Names the row, counted from 1, and the key to correct.
    """
    for place, row in enumerate(gates.rows, start=1):
        fault = _find_fault(row, gates.rows[: place - 1])
        if fault:
            message = f"Rule file {path_of(gates)}: row {place} {fault}"
            raise RuleFileError(message)


def _find_fault(row: GateRow, earlier: Sequence[GateRow]) -> str:
    condition = CONDITIONS.get(row.when)
    if condition is None:
        return f"has the condition {row.when}, which is none. Take one of {', '.join(CONDITIONS)}."
    known = [one.when for one in earlier]
    if row.when in known:
        return f"repeats the condition {row.when}. Remove one of the two."
    if row.unless is not None and row.unless not in known:
        return "names in `unless` no condition of an earlier row. Correct it."
    if not row.owner or row.source is None or row.basis is None:
        return "needs `owner`, `source` and `basis`. Add them."
    if len(row.text.split(" ")) > _MOST_WORDS:
        return f"has more than {_MOST_WORDS} words. Shorten `text`."
    unknown = [name for name in _PLACE.findall(row.text) if name not in condition.places]
    if unknown:
        return f"has the place {unknown[0]}, which {row.when} does not fill. Correct `text`."
    return _find_limit_fault(row, condition.limit_unit) or _find_pass_fault(row)


def _find_limit_fault(row: GateRow, unit: str | None) -> str:
    # Amounts of adhesive are limited in one place, sizing/limits, and not a second time here.
    of_item = unit == "ul"
    own_unit = None if of_item else unit
    if (
        (row.limit_item is not None) != of_item
        or (row.limit is not None) != (own_unit is not None)
        or row.limit_unit != own_unit
        or (row.limit or 0) < 0
    ):
        wanted = "`limit_item` alone" if of_item else f"`limit` in {unit}" if unit else "no limit"
        return f"needs {wanted} for {row.when}. Correct it."
    return ""


def _find_pass_fault(row: GateRow) -> str:
    is_hard = row.level == "hard"
    if (len(row.withholds) > 0, row.may_pass is not None, row.leaves is not None) != (is_hard,) * 3:
        return "is hard with `withholds`, `may_pass` and `leaves`, or soft without any. Correct it."
    ids = [reason.id for reason in row.reasons]
    # A soft row may ask why; a hard one asks where somebody may pass it, and only there.
    asks = row.may_pass not in (None, "nobody") if is_hard else len(ids) > 0
    if (len(ids) > 0) != asks or len(ids) > _MOST_REASONS:
        return f"needs 1 to {_MOST_REASONS} reasons where somebody may pass, else none. Correct it."
    if len(set(ids)) != len(ids) or OTHER_REASON in ids:
        return f"has a reason twice, or one called {OTHER_REASON}. Correct `reasons`."
    return ""
