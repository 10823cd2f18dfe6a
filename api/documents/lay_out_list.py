"""The list of what is laid out before a case. Pure. Twin of `state/papers/lay-out-list.ts`."""

from typing import Any

from api.documents.paper import Blanks, Lines, Paper, Part, Table
from api.documents.paper_words import PaperWords, ml
from api.documents.procedure_report import foot_of, head_of, sender_of
from api.documents.shown_case import ShownCase, count_in, count_text, rows_in, text_in


def write_lay_out_list(case: ShownCase, words: PaperWords) -> Paper:
    """Return the list from the lines of the rules (SK12-SK17); that there is none is said."""
    heads = ("what", "needed", "spare", "on_shelf", "short", "lots", "laid_out")
    rows = [_row(line, words) for line in case.lay_out]
    table = Table([words.say(f"lay_out.{head}") for head in heads], rows, [1, 2, 3, 4])
    return Paper(
        paper="lay-out-list",
        language=words.language,
        is_draft=words.standing == "draft",
        title=words.say("lay_out.title"),
        sender=sender_of(case),
        recipient=None,
        dated=words.day(case.on),
        head=head_of(case, words),
        parts=[
            Part("", [table if rows else Lines([words.say("lay_out.empty")])]),
            Part("", [Blanks([words.say("lay_out.by"), words.say("lay_out.checked")])]),
        ],
        faces=[],
        foot=foot_of(case, words),
    )


def _row(line: dict[str, Any], words: PaperWords) -> list[str]:
    amount = ml(count_in(line, "amount_ul"))
    lots = [
        words.say(
            "lay_out.lot" if text_in(lot, "expires_on") else "lay_out.lot_bare",
            lot=text_in(lot, "lot") or words.say("common.lot_unknown"),
            day=words.day(text_in(lot, "expires_on")),
            take=count_text(lot, "take"),
        )
        for lot in rows_in(line.get("lots"))
    ]
    # Of a line that no package answers nothing is counted.
    counted = line.get("stock_id") is not None or count_in(line, "needed") is not None
    names = ("needed", "spare", "on_shelf", "short")
    return [
        ", ".join(one for one in (text_in(line, "what"), amount) if one),
        *(count_text(line, name) if counted else "" for name in names),
        "; ".join(lots),
        words.say("lay_out.ticked", count=count_text(line, "laid_out"))
        if count_in(line, "laid_out")
        else "",
    ]
