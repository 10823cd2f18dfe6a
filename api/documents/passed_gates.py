"""What a case went past, with who and why, and the cautions that came up. Pure.

Twin of `state/papers/passed-gates.ts`.
"""

import re
from collections.abc import Mapping
from typing import Any

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.gates import GATES, OTHER_REASON, GateRow
from api.clinical_rules.rule_book import RuleBook
from api.documents.paper import Lines, Part, Points, Table
from api.documents.paper_words import PaperWords
from api.documents.shown_case import (
    ShownCase,
    ShownRecord,
    once,
    parts_of,
    rows_in,
    text_in,
    texts_in,
)
from api.documents.who_confirmed import say_actor, say_stated

_PLACE = re.compile(r"\{[a-z_]+\}")
Rows = Mapping[tuple[str, str], GateRow]


def report_passed(case: ShownCase, book: RuleBook, words: PaperWords) -> Part:
    """Return the gates that the case went past, oldest first (GATE-02)."""
    rows = _read_rows(book)
    found = []
    for event in case.of_kind("step_event"):
        override = event.parts("override")
        if text_in(override, "gate"):
            found.append(_tell(case, event, override, rows, words))
        stood = event.text("answers", "gate_stood")
        if stood:
            found.append(_tell(case, event, {"cause": stood}, rows, words))
    signed = case.of_kind("sign_off")[-1:]
    for sign in signed:
        overrides = rows_in(sign.parts("outcome").get("overrides"))
        found += [_tell(case, sign, override, rows, words) for override in overrides]
    heading = words.say("report.passed")
    if not found:
        return Part(heading, [Lines([words.say("report.none_passed")])])
    heads = ("time", "gate", "reason", "by")
    return Part(heading, [Table([words.say(f"common.{head}") for head in heads], found, [])])


def report_cautions(case: ShownCase, book: RuleBook, words: PaperWords) -> Part:
    """Return the cautions of the saved plan, and what else came up on screen."""
    answer = parts_of(case.itself.parts("plan").get("answer"))
    told = [] if case.outside else rows_in(answer.get("cautions"))
    texts = once(text_in(one, "text") for one in told)
    rows = _read_rows(book)
    causes: list[str] = []
    for event in case.of_kind("step_event"):
        causes += texts_in(event.parts("answers").get("gates_shown"))
    for sign in case.of_kind("sign_off")[-1:]:
        causes += texts_in(sign.parts("outcome").get("gates_shown"))
    came_up = once(_tell_raised(cause, rows, words) for cause in causes)
    lines = [*texts, *(words.say("report.came_up", what=one) for one in came_up)]
    heading = words.say("report.cautions")
    return Part(heading, [Points(lines)] if lines else [Lines([words.say("report.none_raised")])])


def _tell(
    case: ShownCase, record: ShownRecord, override: dict[str, Any], rows: Rows, words: PaperWords
) -> list[str]:
    cause = text_in(override, "cause") or text_in(override, "gate")
    row = _find(cause, rows)
    said = text_in(override, "reason")
    reason = next((one.words for one in row.reasons if one.id == said), "") if row else ""
    if not reason:
        reason = words.say("report.other_reason") if said == OTHER_REASON else said
    second = text_in(override, "second_person")
    people = [say_actor(case, record, words), say_stated(case, second, words)]
    return [
        case.time(record.text("at")),
        _name(cause, text_in(override, "text_shown"), rows, words),
        reason or words.say("report.without_reason"),
        ", ".join(one for one in people if one),
    ]


def _name(cause: str, text_shown: str, rows: Rows, words: PaperWords) -> str:
    row = _find(cause, rows)
    gate = cause.split(" ")[0]
    if row is None:
        # A code alone tells a reader nothing; what was on screen stands with the override.
        return f"{gate}: {text_shown}" if text_shown else words.say("report.not_held", gate=gate)
    # The record keeps the cause; what the text had put in is not in it.
    return f"{gate}: {row.leaves or _PLACE.sub('…', row.text)}"


def _tell_raised(cause: str, rows: Rows, words: PaperWords) -> str:
    """Say what came up, by the first sentence of its text.

    What a gate leaves is true of one that was passed alone. The record keeps the cause: what the
    text had put in is not in it, and a list of names at the end is left out.
    """
    row = _find(cause, rows)
    gate = cause.split(" ")[0]
    if row is None:
        return f"{words.say('report.not_held', gate=gate)}."
    first = row.text.split(". ")[0].removesuffix(".")
    return f"{gate}: {_PLACE.sub('…', first).removesuffix(': …')}."


def _find(cause: str, rows: Rows) -> GateRow | None:
    gate, _, rest = cause.partition(" ")
    return rows.get((gate, rest.split(" ")[0]))


def _read_rows(book: RuleBook) -> Rows:
    try:
        held = book.rule_file_or_listed(GATES, GateRow).rows
    except RuleFileError:
        return {}
    return {(row.id, row.when): row for row in held}
