"""Approve or retire, at a unit, what it took from its hub; the law is that of every rule file."""

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.release_rule_files import ReleaseLine, approve_rule_file, retire_rule_file
from api.use_cases.rule_file_offers import Offer, read_offers
from api.use_cases.server_log import Chance
from api.use_cases.unit_rules import read_unit_rules
from api.use_cases.withdrawn_rule_files import standings_here


def approve_taken(
    store: UnitStore, proposal: str, *, by: str, on: str, chance: Chance
) -> ReleaseLine:
    """Record one person's approval, from today, of a version that the unit took.

    Raises
    ------
    NotAllowedError
        It was not taken, or as `approve_rule_file`: the person may not or has approved it already,
        or the hub has withdrawn it.
    """
    with store.transaction():
        taken = _taken(store, proposal, on=on)
        return approve_rule_file(
            store, taken.name, taken.version, by=by, from_on=on, on=on, chance=chance
        )


def retire_taken(
    store: UnitStore, proposal: str, *, by: str, on: str, chance: Chance
) -> ReleaseLine:
    """Take a version that the unit took out of force from today; old cases keep what they pinned.

    Raises
    ------
    NotAllowedError
        It was not taken, or the person may not.
    """
    with store.transaction():
        taken = _taken(store, proposal, on=on)
        return retire_rule_file(store, taken.name, taken.version, by=by, on=on, chance=chance)


def _taken(store: UnitStore, proposal: str, *, on: str) -> Offer:
    offer = next((one for one in read_offers(store) if one.record == proposal), None)
    if offer is None:
        raise NotAllowedError(f"The hub offers no {proposal[:80]!r}. Look at the list again.")
    if proposal not in standings_here(read_unit_rules(store), [offer], on=on):
        message = f"{offer.name} version {offer.version} was not taken here. Take it as a draft."
        raise NotAllowedError(message)
    return offer
