"""Decisions on a link that are taken back, parted by two, or opened again: who, when, and why."""

import pytest

from api.linkage.network_links import JOINED, LinkVoices, judge_voices
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.link_patients import rebuild_links
from api.use_cases.list_links import list_links
from api.use_cases.server_log import write_as_server
from sync.merge import shown_value
from tests.unit.api.network_hub import BAO, FEN, ODETTE, list_groups

GROUP = ("registry_patient/a1", "registry_patient/b1")


@pytest.fixture
def pair(hub):
    """Two records of one woman, proposed."""
    return hub.propose_pair()


@pytest.fixture
def people(hub):
    return [hub.person(name) for name in ("Ida Norrwood", "Juno Marrowby", "Nell Ashgrove")]


def _join(hub, pair, people):
    for one in people[:2]:
        hub.decide(pair, "agree", one)


def _only(hub, state, by=""):
    (shown,) = list_links(hub.store, state, by=by).links
    return shown


def _written(hub, field):
    state = hub.state(next(iter(_names(hub))))
    return shown_value(state.fields[field])


def _names(hub):
    with hub.store.transaction():
        return [one.record for one in hub.store.views.of_kind("network_link")]


def test_to_part_what_is_joined_takes_two_people(hub, pair, people):
    """[HAZ-41] [HAZ-42] [NL3] Caught: one person alone parted what two had joined."""
    _join(hub, pair, people)

    assert hub.decide(pair, "part", people[2], "joined-in-error") == "joined"
    with pytest.raises(NotAllowedError, match="second person"):
        hub.decide(pair, "part", people[2], "joined-in-error")

    assert list_groups(hub.store) == ([GROUP], [])
    waiting = _only(hub, "proposed", by=people[0])
    assert (waiting.state, waiting.may_part, waiting.may_agree) == ("joined", True, False)
    ((said,)) = waiting.parting
    assert (said.name, said.because) == ("Nell Ashgrove", "joined-in-error")
    assert said.at_ms > max(one.at_ms for one in waiting.agreed) > 0
    assert list_links(hub.store, "joined", by="").open == 1
    assert [one.link for one in list_links(hub.store, "joined", by="").links] == [pair]
    assert _only(hub, "proposed", by=people[2]).may_part is False

    assert hub.decide(pair, "part", people[0], "joined-in-error") == "apart"
    assert list_groups(hub.store) == ([], [])
    parted = _only(hub, "parted")
    assert [(one.act, one.name) for one in parted.history][-2:] == [
        ("part-asked", "Nell Ashgrove"),
        ("parted", "Ida Norrwood"),
    ]
    assert [one.name for one in parted.parting] == ["Nell Ashgrove", "Ida Norrwood"]


def test_a_voice_for_parting_is_taken_back_and_counts_for_nothing_then(hub, pair, people):
    """[HAZ-41] [NL3] Planted and caught: it stayed in the list of those who said so."""
    _join(hub, pair, people)
    hub.decide(pair, "part", people[2], "patient-objects")
    assert _only(hub, "proposed", by=people[2]).may_take_back
    with pytest.raises(NotAllowedError, match="takes two people"):
        hub.decide(pair, "take-back", people[0])

    assert hub.decide(pair, "take-back", people[2]) == "joined"

    assert list_links(hub.store, "proposed", by="").links == []
    assert hub.decide(pair, "part", people[0], "patient-objects") == "joined"
    assert _only(hub, "joined").history[-2].act == "taken-back"


def test_a_first_vote_is_taken_back_before_the_second_is_given(hub, pair, people):
    """[HAZ-42] [NL2] Caught: who had pressed in error could only wait, or set the pair aside."""
    hub.decide(pair, "agree", people[0])
    with pytest.raises(NotAllowedError, match="nothing here"):
        hub.decide(pair, "take-back", people[1])
    assert _only(hub, "proposed", by=people[0]).may_take_back

    assert hub.decide(pair, "take-back", people[0]) == "proposed"

    shown = _only(hub, "proposed", by=people[0])
    assert (shown.agreed, shown.may_agree, shown.may_take_back) == ([], True, False)
    assert [(one.act, one.name) for one in shown.history][1:] == [
        ("agreed", "Ida Norrwood"),
        ("taken-back", "Ida Norrwood"),
    ]
    assert all(one.at_ms > 0 for one in shown.history[1:])
    # The second person saw "you would be the second": now it is the first voice.
    assert hub.decide(pair, "agree", people[1]) == "one_voice"


def test_a_vote_taken_back_unsays_nothing_of_a_unit(hub, pair, people):
    """[NL2] What a unit said on its way counts: nothing began anew. Planted and caught."""
    hub.decide(pair, "agree", people[0])
    hub.decide(pair, "take-back", people[0])
    hub.write(FEN, "registry_link_answer/late", unit=FEN, proposal=pair, answer="same")
    hub.tend()

    assert hub.decide(pair, "agree", people[1]) == "joined"


def test_what_was_set_aside_is_opened_again_with_a_reason_and_decided_anew(hub, pair, people):
    """[HAZ-41] [NL3] Caught: "they are two people" was the end, at the desk."""
    hub.decide(pair, "agree", people[1])
    hub.decide(pair, "set-aside", people[0], "different-people")
    assert _only(hub, "parted", by=people[1]).may_reopen
    with pytest.raises(NotAllowedError, match="Open it again first"):
        hub.decide(pair, "agree", people[1])
    with pytest.raises(CalculationError, match="new-facts"):
        hub.decide(pair, "reopen", people[1])

    assert hub.decide(pair, "reopen", people[1], "new-facts") == "proposed"

    shown = _only(hub, "proposed")
    last = shown.history[-1]
    assert (last.act, last.name, last.because) == ("reopened", "Juno Marrowby", "new-facts")
    assert (shown.agreed, _written(hub, "state")) == ([], "proposed")
    with pytest.raises(NotAllowedError, match="open, or joined"):
        hub.decide(pair, "reopen", people[1], "new-facts")
    assert hub.decide(pair, "agree", people[0]) == "one_voice"
    assert hub.decide(pair, "agree", people[1]) == "joined"


def test_a_voice_for_parting_falls_with_the_join_that_it_was_about(hub, pair, people):
    """[HAZ-42] [NL3] Planted and caught: the voice of before was the first one on the next join."""
    _join(hub, pair, people)
    hub.decide(pair, "part", people[2], "joined-in-error")
    hub.patient(FEN, "b1", BAO)
    hub.tend()
    assert (_written(hub, "state"), _written(hub, "parted_by")) == ("proposed", [])
    hub.patient(FEN, "b1", ODETTE)
    hub.tend()
    _join(hub, pair, people)

    assert hub.decide(pair, "part", people[1], "joined-in-error") == "joined"


def test_a_unit_parts_at_once_also_after_one_voice(hub, pair, people):
    """[HAZ-42] [NL2] The unit knows the patient; what a person had said is about no join then."""
    _join(hub, pair, people)
    hub.decide(pair, "part", people[2], "joined-in-error")
    hub.answer(FEN, pair, "not-same")
    hub.tend()

    assert (_written(hub, "state"), _written(hub, "parted_by")) == ("parted", [])
    assert _only(hub, "parted").may_reopen is False


def test_two_who_asked_at_once_have_parted(hub, pair, people):
    """[HAZ-41] [NL3] Neither had seen the other's entry: both values stand, and both count."""
    _join(hub, pair, people)
    with hub.store.transaction():
        for one in people[:2]:
            write_as_server(
                hub.store,
                pair,
                {"parted_by": [one]},
                by=one,
                because="joined-in-error",
                chance=hub.chance(),
                over={},
            )
    rebuild_links(hub.store, now_ms=hub.chance().now_ms)
    hub.tend()

    assert (_written(hub, "state"), list_groups(hub.store)) == ("parted", ([], []))
    assert _only(hub, "parted").history[-1].because == "two-people-part"


def test_a_voice_given_while_it_is_taken_back_elsewhere_counts_for_nobody(hub, pair, people):
    """[HAZ-42] [NL2] Nobody is joined on a word that was taken back. Planted and caught."""
    hub.decide(pair, "agree", people[0])
    first = hub.state(pair).fields["joined_by"].references
    for said, by in (([], people[0]), (people[:2], people[1])):
        with hub.store.transaction():
            write_as_server(
                hub.store,
                pair,
                {"joined_by": said},
                by=by,
                because="",
                chance=hub.chance(),
                over={"joined_by": first},
            )
    hub.tend()

    assert list_groups(hub.store) == ([], [])
    assert _only(hub, "proposed").agreed == []


def test_voices_for_parting_count_for_what_is_joined_alone():
    said = LinkVoices(
        one="registry_patient/a",
        other="registry_patient/b",
        states=("proposed",),
        people=("staff/u",),
        answers={},
        same=("names", "day of birth"),
        parting=("staff/u", "staff/v"),
    )

    assert judge_voices(said).state == "one_voice"
    assert JOINED not in said.states
