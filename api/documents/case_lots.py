"""Of how many implants the lot is unknown, and of how many nobody entered one. Pure.

Twin of `state/papers/case-lots.ts`, by which Close-out counts them too (HAZ-46).
"""

from api.documents.case_given import device_of
from api.documents.paper import Block, Lines
from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, text_in

_KINDS = ("coil_placed", "adhesive_injected")


def count_lots(case: ShownCase, kind: str) -> dict[str, int]:
    """Return the implants of a kind whose lot somebody called unknown, and those without a word.

    One with two answers is neither: it is told as in doubt.
    """
    devices = [device_of(case, one) for one in case.of_kind(kind)]
    bare = [one for one in devices if not text_in(one, "lot") and one.get("in_doubt") is not True]
    unknown = sum(one.get("lot_unknown") is True for one in bare)
    return {"unknown": unknown, "missing": len(bare) - unknown}


def tell_lots(case: ShownCase, words: PaperWords) -> list[Block]:
    """Return a line for each such count, nothing where every lot is known."""
    lines = [
        words.say(f"report.{kind}_lot_{why}", count=count)
        for kind in _KINDS
        for why, count in count_lots(case, kind).items()
        if count > 0
    ]
    return [Lines(lines)] if lines else []
