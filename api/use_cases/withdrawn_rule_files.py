"""Rule files that the hub withdrew after this unit had taken them.

What a unit took is its own: the hub's withdrawal changes nothing here by itself. So people are told
wherever they meet it, with the hub's reason, and are asked once more before they approve it (WD5).
"""

from collections.abc import Iterable

import msgspec

from api.clinical_rules.rule_release import Standing, judge_release
from api.storage.unit_store import UnitStore
from api.use_cases.rule_file_offers import Offer, read_offers
from api.use_cases.unit_rules import UnitRules, contents_of, read_unit_rules


class WithdrawnRuleFile(msgspec.Struct, frozen=True, kw_only=True):
    """A version held here that the hub withdrew, and where it stands in the unit.

    Parameters
    ----------
    because : str
        The hub's reason.
    withdrawn_by : str
        The operation of the hub that withdrew it; at ``withdrawn_ms`` by the clock of the hub.
    standing : str
        ``draft``, ``approved``, ``in force`` or ``retired``.
    """

    record: str
    name: str
    version: int
    because: str
    withdrawn_by: str
    withdrawn_ms: int
    standing: Standing

    @property
    def sentence(self) -> str:
        """What a person is told of it while it counts, or is about to."""
        return (
            f"{self.name} version {self.version} is {self.standing} here, and the hub has "
            f"withdrawn it: {self.because.rstrip('.')}. Read why, then retire it at the unit "
            f"desk, or by crura rules retire {self.name} {self.version}."
        )


def standings_here(rules: UnitRules, offers: Iterable[Offer], *, on: str) -> dict[str, Standing]:
    """Return where each offer stands in the unit's own release, by record.

    Only the very bytes that the hub offered: a unit may hold another file of that number.
    """
    held = contents_of(rules)
    released = {(one.name, one.version): one for one in rules.releases}
    return {
        one.record: judge_release(release, on=on).standing
        for one in offers
        if held.get(f"{one.name}.v{one.version}.json") == one.content.encode()
        and (release := released.get((one.name, one.version))) is not None
    }


def find_withdrawn(store: UnitStore, *, on: str) -> list[WithdrawnRuleFile]:
    """Return what the hub withdrew and this unit holds, by record; inside a transaction.

    Only the very bytes that the hub had offered: a unit may hold another file of that number.
    """
    withdrawn = [one for one in read_offers(store) if one.is_withdrawn]
    if not withdrawn:
        return []
    here = standings_here(read_unit_rules(store), withdrawn, on=on)
    return [
        WithdrawnRuleFile(
            record=one.record,
            name=one.name,
            version=one.version,
            because=one.withdrawn_because,
            withdrawn_by=one.withdrawn_by,
            withdrawn_ms=one.withdrawn_ms,
            standing=here[one.record],
        )
        for one in withdrawn
        if one.record in here
    ]
