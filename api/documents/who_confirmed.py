"""Who signed or answered for something, and whether a PIN showed that it was them. Pure.

Whoever taps is a name that anybody may press on the tablet; only who signs or passes a gate shows
by PIN who they are (HAZ-25). A paper tells a name that no PIN stands behind as stated, never as
shown.

Twin of `state/papers/who-confirmed.ts`.
"""

from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, ShownRecord, text_in


def how_confirmed(record: ShownRecord) -> str:
    """Return how whoever answers for a record showed who it is, "untold" where nothing says so."""
    kept = record.parts("confirmation")
    # Of another person it confirms nothing of this one.
    return text_in(kept, "how") if text_in(kept, "by") == record.by else "untold"


def say_actor(case: ShownCase, record: ShownRecord, words: PaperWords) -> str:
    """Return the name of who answers for a record: as stated, unless a PIN showed it."""
    if how_confirmed(record) == "pin":
        return case.name_of(record.by)
    return say_stated(case, record.by, words)


def say_stated(case: ShownCase, person: str, words: PaperWords) -> str:
    """Return the name of a person whom somebody else named, "" for nobody."""
    return words.say("report.as_stated", name=case.name_of(person)) if person else ""
