"""At the hub: people agree that two patients are one, set it aside, part them, or think again.

Every act is one operation of the hub, with who acted and a reason from a closed list: the history
of a link is its log. Two people join and two part (HAZ-41, HAZ-42); who gave a first voice takes it
back alone, and what was set aside or parted is opened again by one, which decides nothing.
"""

from typing import Any, Literal

import msgspec

from api.linkage.link_graph import FEWEST_SAME
from api.linkage.network_links import (
    FEWEST_TO_PART,
    JOINED,
    NOT_SAME,
    PARTED,
    PROPOSED,
    VOICE_TAKEN_BACK,
    LinkVoices,
    count_identifiers,
    judge_voices,
    lacks_both_units,
)
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.settle_links import are_both_held, judge_link, settle_link, voices_of
from sync.merge import RecordState

LinkAct = Literal["agree", "set-aside", "part", "take-back", "reopen"]
REASONS: dict[LinkAct, tuple[str, ...]] = {
    "agree": ("",),
    "set-aside": ("different-people", "cannot-tell"),
    "part": ("joined-in-error", "patient-objects"),
    "take-back": ("",),
    "reopen": ("decided-in-error", "new-facts"),
}


def decide_link(
    store: UnitStore, link: str, act: LinkAct, *, because: str = "", by: str, chance: Chance
) -> str:
    """Write down what a person of the hub decided on a proposal; return how it stands then.

    Parameters
    ----------
    because : str
        A reason of `REASONS`; "" for ``agree`` and ``take-back``.

    Raises
    ------
    NotAllowedError
        There is no such proposal; whoever decides does not work here, or has said so already; a
        unit says that they are two, or took its patient back; the national numbers are two and
        not both units say that it is one person; too few identifiers agree; or the act does not
        fit how the link stands. Nothing is written.
    CalculationError
        The reason is none of the list.

    Notes
    -----
    Rules NL2 and NL3. Of two people who decide at once the second decides on what the first has
    written, whatever stood on the screen: an act that does not fit it any more is refused.
    """
    if because not in REASONS[act]:
        message = f"Give one of these reasons: {', '.join(one or 'none' for one in REASONS[act])}."
        raise CalculationError(message)
    with store.transaction():
        refuse_stranger(store, by)
        state = find_link(store, link)
        voices = voices_of(store, state)
        fields = _decide(store, voices, act, by)
        because = VOICE_TAKEN_BACK if act == "take-back" else because
        over = {name: state.fields[name].references for name in fields if name in state.fields}
        write_as_server(store, link, fields, by=by, because=because, chance=chance, over=over)
        # What was written says everything: settling draws no chance of its own.
        settle_link(store, link, draw_chance=_no_chance)
        return judge_link(store, find_link(store, link)).state


def find_link(store: UnitStore, link: str) -> RecordState:
    """Return a proposal; inside a transaction or a reading.

    Raises
    ------
    NotAllowedError
        There is none of this name.
    """
    state = store.views.state_of(link) if link.startswith("network_link/") else None
    if state is None or state.is_entered_in_error:
        message = f"{link[:60]!r} is no proposal here. See those of: crura hub links list."
        raise NotAllowedError(message)
    return state


def _decide(store: UnitStore, voices: LinkVoices, act: LinkAct, by: str) -> dict[str, Any]:
    """Return what an act writes.

    Raises
    ------
    NotAllowedError
        It does not fit how the pair stands.
    """
    if act == "agree":
        return _agree(store, voices, by)
    if act == "reopen":
        return _reopen(store, voices)
    if act == "take-back":
        return _take_back(voices, by)
    return _set_aside(voices) if act == "set-aside" else _part(voices, by)


def _agree(store: UnitStore, voices: LinkVoices, by: str) -> dict[str, Any]:
    _refuse_where_told_apart(store, voices)
    if PARTED in voices.states:
        # Who agreed may have had a proposal on the screen that somebody has closed since.
        raise NotAllowedError("It was parted or set aside. Open it again first, and say why.")
    if lacks_both_units(voices):
        raise NotAllowedError(
            "Their national numbers are different. Ask both units: each has to answer that it is "
            "one person first."
        )
    if count_identifiers(voices) < FEWEST_SAME:
        raise NotAllowedError(
            "Fewer than two identifiers agree. Ask both units for the national number and the day "
            "of birth, or set it aside."
        )
    if by in voices.people:
        raise NotAllowedError("You have agreed already. A second person has to agree as well.")
    if judge_voices(voices).state == JOINED:
        raise NotAllowedError("They are joined already. Look at the list again.")
    now = [*voices.people, by]
    would = judge_voices(msgspec.structs.replace(voices, people=now, states=(PROPOSED,)))
    return {"state": JOINED if would.state == JOINED else PROPOSED, "joined_by": now}


def _set_aside(voices: LinkVoices) -> dict[str, Any]:
    if PARTED in voices.states:
        raise NotAllowedError("It is set aside or parted already. Look at the list again.")
    if judge_voices(voices).state == JOINED:
        raise NotAllowedError("They are joined. Part them instead, and say why.")
    return {"state": PARTED, "joined_by": [], **_unsaid(voices)}


def _part(voices: LinkVoices, by: str) -> dict[str, Any]:
    if PARTED in voices.states:
        raise NotAllowedError("It is parted already. Look at the list again.")
    if judge_voices(voices).state != JOINED:
        raise NotAllowedError("They are not joined. Set the proposal aside instead.")
    if by in voices.parting:
        raise NotAllowedError("You have said so already. A second person has to part them as well.")
    now = [*voices.parting, by]
    if len(now) < FEWEST_TO_PART:
        return {"parted_by": now}
    return {"state": PARTED, "joined_by": [], "parted_by": now}


def _take_back(voices: LinkVoices, by: str) -> dict[str, Any]:
    is_joined = judge_voices(voices).state == JOINED
    field, said = ("parted_by", voices.parting) if is_joined else ("joined_by", voices.people)
    if by not in said:
        raise NotAllowedError(
            "They are joined, and your word with it. Part them instead: that takes two people."
            if is_joined and by in voices.people
            else "You have said nothing here that could be taken back. Look at the list again."
        )
    return {field: [one for one in said if one != by]}


def _reopen(store: UnitStore, voices: LinkVoices) -> dict[str, Any]:
    if PARTED not in voices.states:
        raise NotAllowedError("It is open, or joined. Look at the list again.")
    _refuse_where_told_apart(store, voices)
    # Everything began anew when it was closed: what a unit has answered since then stands.
    return {"state": PROPOSED, **_unsaid(voices)}


def _refuse_where_told_apart(store: UnitStore, voices: LinkVoices) -> None:
    if any(NOT_SAME in said for said in voices.answers.values()):
        raise NotAllowedError(
            "A unit says that they are two people. Ask that unit; it can change its answer."
        )
    if not are_both_held(store, voices):
        raise NotAllowedError(
            "A unit has taken its patient back, or what the two are compared by. Ask that unit."
        )


def _unsaid(voices: LinkVoices) -> dict[str, Any]:
    """Return what clears voices for a parting that is over or was none."""
    return {"parted_by": []} if voices.parting else {}


def _no_chance() -> Chance:
    raise AssertionError("A link that was just decided on needs no further writing.")
