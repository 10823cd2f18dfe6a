"""What a unit tells its hub of the rule files that were offered: where each stands, since when.

The hub withdraws by this: a version that counts at a unit goes on counting there until people of
the unit retire it, and the hub has to see which units those are (WD9).
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

import msgspec

from api.clinical_rules.rule_release import Release, day_in_force, judge_release
from api.storage.unit_store import UnitStore
from api.use_cases.network_rule_files import answer_of, read_answer
from api.use_cases.rule_file_offers import Offer, read_offers
from api.use_cases.unit_rules import UnitRules, contents_of, open_rule_book, read_unit_rules

# Where an offered version stands in the unit's release; "" where the unit does not hold it.
Here = Literal["", "draft", "approved", "in force", "retired"]
_Day = Annotated[str, msgspec.Meta(max_length=10)]


class OfferAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What became of an offer in a unit.

    Parameters
    ----------
    answer : str
        ``none`` yet, ``taken`` as a draft, or ``set-aside``.
    answered_ms : int or None
        When people said so, by the clock of the unit.
    here : str or None
        Where these very bytes stand in the unit's own release; None of a unit that does not tell.
    since_on : str
        Civil day since which it stands there: in force or approved from, retired on; "" of others.
    is_counting : bool
        It computes there today: of several in force one does, and in training a draft may.
    """

    record: str
    came_ms: int
    answer: str
    answered_ms: int | None = None
    here: Here | None = None
    since_on: _Day = ""
    is_counting: bool = False


def answer_offers(store: UnitStore, *, on: str) -> Iterator[OfferAnswer]:
    """Yield what became of each offer on a day, for the standing report of the unit."""
    with store.transaction():
        rules = read_unit_rules(store)
        offers = [
            (one, answer_of(store, one), read_answer(store, one)) for one in read_offers(store)
        ]
    held, book = contents_of(rules), open_rule_book(rules, on=on)
    for one, standing, kept in offers:
        release = _release_of(rules, held, one)
        here: Here = "" if release is None else judge_release(release, on=on).standing
        yield OfferAnswer(
            record=one.record,
            came_ms=one.came_ms,
            answer=standing if standing in ("taken", "set-aside") else "none",
            answered_ms=kept.at_ms if kept else None,
            here=here,
            since_on=_since(release, here) if release else "",
            is_counting=release is not None and book.version_of(one.name) == one.version,
        )


def _release_of(rules: UnitRules, held: Mapping[str, bytes], offer: Offer) -> Release | None:
    """Return the unit's release of the very bytes that were offered."""
    # A unit may hold another file of that number, which is none of the hub's.
    if held.get(f"{offer.name}.v{offer.version}.json") != offer.content.encode():
        return None
    wanted = (offer.name, offer.version)
    return next((one for one in rules.releases if (one.name, one.version) == wanted), None)


def _since(release: Release, here: Here) -> str:
    if here == "retired":
        return release.retired_on or ""
    return (day_in_force(release) or "") if here in ("approved", "in force") else ""
