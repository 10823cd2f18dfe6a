"""Which records are one person by what people decided: links, and links taken back.

Records are linked, never fused: each keeps all that is its own, and a link that was wrong is taken
back without a trace in either (HAZ-41). Two records are joined by two people, on two identifiers
that are the same (HAZ-42).
"""

from collections.abc import Iterable, Sequence

import msgspec

FEWEST_SAME = 2


class LinkAct(msgspec.Struct, frozen=True, kw_only=True):
    """What one person decided on a pair: ``join``, ``apart`` (they are two), or ``take_back``."""

    one: str
    other: str
    act: str
    by: str
    same: tuple[str, ...] = ()


class Standing(msgspec.Struct, frozen=True):
    """How a pair stands: ``proposed``, ``one_voice``, ``joined`` or ``apart``; who said so."""

    one: str
    other: str
    state: str
    by: tuple[str, ...]


def judge_acts(acts: Sequence[LinkAct]) -> dict[tuple[str, str], Standing]:
    """Return how each pair stands after acts in the order in which they were taken.

    A join counts from the second person on who names it, where at least two identifiers are the
    same; one voice that they are two people outweighs any number for one, until it is taken back.
    """
    joins: dict[tuple[str, str], dict[str, LinkAct]] = {}
    parts: dict[tuple[str, str], dict[str, LinkAct]] = {}
    for act in acts:
        pair = (min(act.one, act.other), max(act.one, act.other))
        joined, parted = joins.setdefault(pair, {}), parts.setdefault(pair, {})
        joined.pop(act.by, None)
        parted.pop(act.by, None)
        if act.act == "join" and len(set(act.same)) >= FEWEST_SAME:
            joined[act.by] = act
        elif act.act == "apart":
            parted[act.by] = act
    return {pair: _standing(pair, joins[pair], parts[pair]) for pair in joins}


def group_records(standings: Iterable[Standing]) -> list[tuple[str, ...]]:
    """Return the groups of records that are one person, each sorted, those of one left out.

    A pair that was told apart is never in one group: where a chain of joins would bring it there,
    none of that chain's records is grouped, and people have to look.
    """
    found = list(standings)
    # Each points towards one of its group, the first of them at itself.
    leads: dict[str, str] = {}
    for pair in found:
        if pair.state == "joined":
            leads[_lead_of(pair.one, leads)] = _lead_of(pair.other, leads)
    groups: dict[str, list[str]] = {}
    for record in leads:
        groups.setdefault(_lead_of(record, leads), []).append(record)
    for pair in found:
        if pair.state == "apart" and pair.one in leads and pair.other in leads:
            lead = _lead_of(pair.one, leads)
            if lead == _lead_of(pair.other, leads):
                groups.pop(lead, None)
    return sorted(tuple(sorted(records)) for records in groups.values())


def _lead_of(record: str, leads: dict[str, str]) -> str:
    """Return who leads a record's group; the way there is made shorter for the next who asks."""
    lead = leads.setdefault(record, record)
    while leads[lead] != lead:
        leads[lead] = leads[leads[lead]]
        lead = leads[lead]
    return lead


def _standing(
    pair: tuple[str, str], joined: dict[str, LinkAct], parted: dict[str, LinkAct]
) -> Standing:
    if parted:
        return Standing(*pair, "apart", tuple(sorted(parted)))
    if len(joined) >= FEWEST_SAME:
        return Standing(*pair, "joined", tuple(sorted(joined)))
    return Standing(*pair, "one_voice" if joined else "proposed", tuple(sorted(joined)))
