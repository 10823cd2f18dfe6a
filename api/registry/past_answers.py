"""What a file of earlier cases leaves unsaid of the cases taken over from it. Pure. Rule RG18.

Where it says only what happened, those to whom it happened would count and nobody else.
"""

from collections.abc import Iterable

from api.documents.past_case_records import name_adverse_event, name_first_bleed
from api.outcomes.registry_rows import NO_ADVERSE_EVENTS, NO_BLEEDS
from api.registry.case_treatment import IMPORTED
from api.registry.case_watch import find_results, is_about_bleeds
from api.registry.told_case import ToldCase


def find_unsaid(cases: Iterable[ToldCase]) -> dict[str, list[str]]:
    """Return by case what its file does not say, as words of `doubts`; nothing of other cases.

    Of bleeds each case is asked by itself. An empty cell of adverse events is no answer, and
    whoever left some empty may have written down only what happened: then none of the file counts.
    """
    imported = [one for one in cases if one.shown.itself.text(IMPORTED)]
    one_sided = {
        one.shown.itself.text(IMPORTED) for one in imported if not _says_adverse_events(one)
    }
    found = {}
    for one in imported:
        unsaid = [] if _says_bleeds(one) else [NO_BLEEDS]
        if one.shown.itself.text(IMPORTED) in one_sided:
            unsaid.append(NO_ADVERSE_EVENTS)
        found[one.record] = unsaid
    return found


def _says_adverse_events(told: ToldCase) -> bool:
    name = name_adverse_event(told.record)
    return any(
        one.record == name or one.text("what") == "none"
        for one in told.shown.of_kind("complication")
    )


def _says_bleeds(told: ToldCase) -> bool:
    """Say whether somebody answered at a visit of the case, or the file told both day and visit.

    An empty cell says that there was none until the last visit, and without one nothing: then no
    more does a day in the cell, or of such rows only those who bled would count.
    """
    results = find_results(told)
    bleed = name_first_bleed(told.record)
    is_told = any(one.record == bleed for one in told.shown.of_kind("complication"))
    return any(is_about_bleeds(one) for one in results) or (is_told and results != [])
