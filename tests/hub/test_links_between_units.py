"""A woman treated at two units: found without names, answered where she is known, joined by two."""

import pytest

from api.use_cases.answer_links import answer_proposal, list_proposals_here
from api.use_cases.decide_links import decide_link
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.link_patients import tend_links
from api.use_cases.linkage_setting import allow_linkage
from api.use_cases.list_links import list_links
from api.use_cases.people import add_person
from tests.hub.recalled_network import open_unit
from tests.hub.standing_network import StandingHub
from tests.unit.api.network_hub import list_groups

NETWORK_KEY = bytes(range(64, 80)).hex()
ODETE = {"family_name": "Marrowick", "born_on": "1957-08-03", "sex": "female"}


class Network:
    """A hub, and three units of which two treated the same woman."""

    def __init__(self, folder):
        self.hub = StandingHub(folder / "hub")
        chance = self.hub.chance()
        self.manager = add_person(self.hub.store, "Ida", "data-manager", by="", chance=chance)
        self.units = [open_unit(folder, name) for name in ("tarn", "fen", "low")]
        for unit, given in zip(self.units, ("Odete", "Odette", "Runa"), strict=True):
            unit.care.write("site/s-1", name=f"Ward {unit.server.name}")
            unit.care.treat()
            said = {**ODETE, "given_name": given}
            if given == "Runa":
                said = {**said, "family_name": "Vareth", "born_on": "1949-01-01"}
            unit.care.write("patient/p-1", **said)
            allow_linkage(unit.server.store, NETWORK_KEY)
            unit.server.join(self.hub)
        self.carry()

    def carry(self):
        """Let every unit exchange, the hub look for links, and every unit exchange again."""
        for _ in range(2):
            for unit in self.units:
                unit.exchange(self.hub)
            tend_links(
                self.hub.store,
                now_ms=self.hub.environment.now_ms(),
                draw_chance=self.hub.chance,
            )

    def here(self, place):
        return list_proposals_here(self.units[place].server.store)

    def answer(self, place, proposal, answer):
        unit = self.units[place].server
        return answer_proposal(unit.store, proposal, answer, chance=unit.chance())

    def close(self):
        self.hub.close()
        for unit in self.units:
            unit.server.close()


@pytest.fixture
def network(tmp_path):
    made = Network(tmp_path)
    yield made
    made.close()


def test_each_unit_sees_its_own_name_and_the_two_are_joined_by_a_person_and_a_unit(network):
    """[HAZ-41] [HAZ-42] [SEC-24] [NL5] Caught, planted: the pseudonym made from the id alone."""
    ((first,), (second,), third) = (network.here(place) for place in range(3))
    assert third == []
    assert first.proposal == second.proposal
    assert (first.own.name, second.own.name) == ("Marrowick, Odete", "Marrowick, Odette")
    assert (first.other_unit_name, second.other_unit_name) == ("Ward fen", "Ward tarn")
    assert (first.own.number, first.own.born_on) == ("TH-0042", "1957-08-03")
    assert [(one.trait, one.level) for one in first.traits][:2] == [
        ("names", "alike"),
        ("day of birth", "the same"),
    ]

    ((after,),) = [network.answer(1, second.proposal, "same")]
    assert after.answer == "same"
    network.carry()
    hub = network.hub
    assert (
        decide_link(hub.store, first.proposal, "agree", by=network.manager, chance=hub.chance())
        == "joined"
    )
    network.carry()

    assert [one.state for one in network.here(0)] == ["joined"]
    groups, findings = list_groups(hub.store)
    assert (len(groups), len(groups[0]), findings) == (1, 2, [])
    with hub.store.transaction():
        entries = hub.store.operations.of_stream("registry", after=0, limit=10_000)
    bodies = " ".join(entry.operation.body_text or "" for entry in entries).lower()
    for word in ("marrowick", "odete", "odette", "1957-08-03", "th-0042"):
        assert word not in bodies


def test_a_unit_closes_a_proposal_by_its_word_and_a_stranger_unit_says_nothing(network):
    """[HAZ-42]"""
    (one,) = network.here(0)
    with pytest.raises(NotAllowedError, match="no patient of this unit"):
        network.answer(2, one.proposal, "same")
    with pytest.raises(CalculationError, match="Answer with one of"):
        network.answer(0, one.proposal, "perhaps")

    network.answer(0, one.proposal, "not-same")
    network.carry()

    (shown,) = list_links(network.hub.store, "parted", by="").links
    assert [answer.answer for answer in shown.answers] == ["not-same"]
    assert {state.state for place in (0, 1) for state in network.here(place)} == {"parted"}


def test_a_unit_is_asked_anew_after_its_link_was_parted(network):
    """[HAZ-41] [HAZ-42] [NL2] [NL3] [NL5] What it had answered counts no longer, and it is told so.

    It was red before. Planted and caught: the word of before stood at the unit as its answer.
    """
    (one,) = network.here(0)
    assert not one.is_asked_anew
    network.answer(0, one.proposal, "same")
    network.carry()
    hub = network.hub

    other = add_person(hub.store, "Juno", "data-manager", by="", chance=hub.chance())

    def decide(act, because="", by=network.manager):
        return decide_link(
            hub.store, one.proposal, act, because=because, by=by, chance=hub.chance()
        )

    assert decide("agree") == "joined"
    network.carry()
    assert [(here.answer, here.is_asked_anew) for here in network.here(0)] == [("same", False)]
    assert decide("part", "patient-objects") == "joined"
    assert decide("part", "patient-objects", other) == "apart"
    assert decide("reopen", "new-facts") == "proposed"
    assert decide("agree") == "one_voice"
    network.carry()

    (here,) = network.here(0)
    assert (here.state, here.answer, here.is_asked_anew) == ("proposed", "", True)
    assert list_groups(hub.store) == ([], [])
    ((here),) = network.answer(0, one.proposal, "same")
    assert (here.answer, here.is_asked_anew) == ("same", False)
    network.carry()
    assert [here.state for here in network.here(1)] == ["joined"]
