"""At the hub: people agree that two patients are one, set it aside, or part what was joined.

Every act is one operation of the hub, with who acted and a reason from a closed list: the history
of a link is its log. Two people agree to a join; one is enough to part (HAZ-41, HAZ-42).
"""

from typing import Any, Literal

import msgspec

from api.linkage.link_graph import FEWEST_SAME
from api.linkage.network_links import (
    JOINED,
    NOT_SAME,
    PARTED,
    PROPOSED,
    count_identifiers,
    judge_voices,
    lacks_both_units,
)
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.link_answers import answers_to
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.settle_links import (
    are_both_held,
    judge_link,
    people_in,
    settle_link,
    voices_of,
)
from sync.merge import RecordState, shown_value

LinkAct = Literal["agree", "set-aside", "part"]
REASONS: dict[LinkAct, tuple[str, ...]] = {
    "agree": ("",),
    "set-aside": ("different-people", "cannot-tell"),
    "part": ("joined-in-error", "patient-objects"),
}


def decide_link(
    store: UnitStore, link: str, act: LinkAct, *, because: str = "", by: str, chance: Chance
) -> str:
    """Write down what a person of the hub decided on a proposal; return how it stands then.

    Parameters
    ----------
    because : str
        A reason of `REASONS`; "" for ``agree``.

    Raises
    ------
    NotAllowedError
        There is no such proposal; whoever decides does not work here, or has agreed already; a
        unit says that they are two, or took its patient back; the national numbers are two and
        not both units say that it is one person; too few identifiers agree; or the act does not
        fit how the link stands. Nothing is written.
    CalculationError
        The reason is none of the list.
    """
    if because not in REASONS[act]:
        message = f"Give one of these reasons: {', '.join(one or 'none' for one in REASONS[act])}."
        raise CalculationError(message)
    with store.transaction():
        refuse_stranger(store, by)
        state = find_link(store, link)
        fields = _agree(store, state, by) if act == "agree" else _part(store, state, act)
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


def _agree(store: UnitStore, state: RecordState, by: str) -> dict[str, Any]:
    voices = voices_of(store, state)
    if any(NOT_SAME in said for said in answers_to(store, state).values()):
        raise NotAllowedError(
            "A unit says that they are two people. Ask that unit; it can change its answer."
        )
    if not are_both_held(store, voices):
        raise NotAllowedError(
            "A unit has taken its patient back, or what the two are compared by. Ask that unit."
        )
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
    # Taken up again after it was parted: who agreed before agrees anew.
    is_parted = PARTED in voices.states
    people = () if is_parted else people_in(state)
    if by in people:
        raise NotAllowedError("You have agreed already. A second person has to agree as well.")
    if judge_voices(voices).state == JOINED:
        raise NotAllowedError("They are joined already. Look at the list again.")
    now = [*people, by]
    would = judge_voices(msgspec.structs.replace(voices, people=now, states=(PROPOSED,)))
    return {"state": JOINED if would.state == JOINED else PROPOSED, "joined_by": now}


def _part(store: UnitStore, state: RecordState, act: LinkAct) -> dict[str, Any]:
    is_joined = judge_link(store, state).state == JOINED
    if shown_value(state.fields.get("state")) == PARTED:
        raise NotAllowedError("It is parted already. Look at the list again.")
    if act == "part" and not is_joined:
        raise NotAllowedError("They are not joined. Set the proposal aside instead.")
    if act == "set-aside" and is_joined:
        raise NotAllowedError("They are joined. Part them instead, and say why.")
    return {"state": PARTED, "joined_by": []}


def _no_chance() -> Chance:
    raise AssertionError("A link that was just decided on needs no further writing.")
