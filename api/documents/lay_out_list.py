"""The list of what is laid out before a case. Pure. Twin of `state/papers/lay-out-list.ts`."""

from typing import Any

from api.documents.paper import Blanks, Block, Lines, Paper, Part, Points, Table
from api.documents.paper_head import foot_of, head_of, sender_of
from api.documents.paper_words import PaperWords, ml
from api.documents.shown_case import ShownCase, count_in, count_text, rows_in, text_in


def write_lay_out_list(case: ShownCase, words: PaperWords) -> Paper:
    """Return the list from the lines of the rules (SK12-SK17); that there is none is said.

    Notes
    -----
    Outside the stated use nothing is listed, and why is said (HAZ-13).
    """
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
            Part("", _list_lines(case, words)),
            Part("", [Blanks([words.say("lay_out.by"), words.say("lay_out.checked")])]),
        ],
        faces=[],
        foot=foot_of(case, words),
    )


def _list_lines(case: ShownCase, words: PaperWords) -> list[Block]:
    if case.outside:
        return [Lines([words.say("report.record_only")])]
    if not case.lay_out:
        return [Lines([words.say("lay_out.empty")])]
    heads = ("what", "needed", "spare", "on_shelf", "short", "lots", "laid_out")
    rows = [_row(line, words) for line in case.lay_out]
    table = Table([words.say(f"lay_out.{head}") for head in heads], rows, [1, 2, 3, 4])
    remarks = [
        words.say("lay_out.remark", what=text_in(line, "what"), remark=_say_remark(one, words))
        for line in case.lay_out
        for one in rows_in(line.get("remarks"))
    ]
    return [table, Points(remarks)] if remarks else [table]


def _say_remark(remark: dict[str, Any], words: PaperWords) -> str:
    """Return a remark of the rules (SK12-SK15); one of a lot names the lot."""
    kind, lot = text_in(remark, "kind"), text_in(remark, "lot")
    said = words.value("remark", kind)
    is_of_lot = kind in ("expired", "recalled", "expiry-unknown")
    if not is_of_lot:
        return said
    return words.say(
        "lay_out.of_lot",
        lot=lot or words.say("common.lot_unknown"),
        count=count_text(remark, "count"),
        remark=said,
    )


def _row(line: dict[str, Any], words: PaperWords) -> list[str]:
    amount = ml(count_in(line, "amount_ul"))
    if amount and text_in(line, "item") == "adhesive":
        # Beside what one ampoule holds, which is part of its name, a bare amount would mislead.
        amount = words.say("lay_out.pure", amount=amount)
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
