"""Where a procedure stands: the next step of the protocol, its gates and the moves open now.

A pure function of what was recorded. Recording is never refused here; what is withheld is the
tool's own word to go on (GATE-00). No clock, no store, no screen.
"""

from collections.abc import Sequence
from typing import Literal

import msgspec

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Row, RuleFile, Words

PROTOCOL = "step_protocols/coil_and_adhesive"
CHOOSE = "choose"
BLOOD_RETURN = "blood_return"


class Gate(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A gate of a step; hard when the named condition holds, else soft."""

    id: str
    hard_when: Literal["adhesive"]


class Step(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of a step protocol; ``detail`` is what a short question leaves out."""

    number: Words
    id: Words
    phase: Words
    loop: Literal["puncture", "coil", "aliquot"] | None
    title: Words
    ask: Words
    takes: Literal[
        "tick", "yes_no", "length_um", "amount_ul", "package", "coil", "adhesive", "flush"
    ]
    gate: Gate | None
    applies: Literal["always", "adhesive"]
    detail: Words | None = None


class Round(msgspec.Struct, frozen=True):
    """Which target, puncture, coil and aliquot a step belongs to; None where none."""

    target: str | None = None
    puncture: int | None = None
    coil: int | None = None
    aliquot: int | None = None


class StepEvent(msgspec.Struct, frozen=True):
    """One step as it was passed. ``outcome``: done, not-seen, skipped or override."""

    step: str
    round: Round = Round()
    outcome: str = "done"
    move: str | None = None


class PlannedTarget(msgspec.Struct, frozen=True):
    """A target in the order of treatment."""

    label: str
    wants_adhesive: bool
    coils_planned: int = 1


class OpenGate(msgspec.Struct, frozen=True):
    """A gate that stands in the way now."""

    id: str
    level: str
    text: str


class Progress(msgspec.Struct, frozen=True):
    """Where a procedure stands.

    ``step`` is the id of the current step, ``choose`` where a person picks one of ``choices``
    (the planned one first), None when all is done.
    """

    step: str | None
    round: Round
    phase: str
    choices: tuple[str, ...]
    gates: tuple[OpenGate, ...]
    passed: int
    is_finished: bool


HARD_TEXT = "No blood return: no adhesive here. Flush and try again, or redirect the needle."
SOFT_TEXT = "No blood return. Coils alone: go on only if the tip is seen in the varix."


def find_protocol(
    rule_book: RuleBook, pinned: tuple[str, int, str] | None = None
) -> RuleFile[Step]:
    """Return the protocol in force, else the one listed (RL7).

    Parameters
    ----------
    pinned : (name, version, sha256), optional
        The version and bytes that a case took up; they count where they are held here.
    """
    if pinned is not None and pinned[0] == PROTOCOL and rule_book.holds(*pinned):
        return rule_book.rule_file_version(PROTOCOL, pinned[1], Step)
    return rule_book.rule_file_or_listed(PROTOCOL, Step)


def read_protocol(rule_book: RuleBook) -> tuple[Step, ...]:
    """Return the steps of the protocol in force, in order; else of the one listed (RL7)."""
    return find_protocol(rule_book).rows


def follow_protocol(
    steps: Sequence[Step], targets: Sequence[PlannedTarget], events: Sequence[StepEvent]
) -> Progress:
    """Return where a procedure stands.

    Parameters
    ----------
    steps : sequence of Step
        A whole protocol, in order.
    targets : sequence of PlannedTarget
        In the order of treatment; none means that only the steps around the needle remain.
    events : sequence of StepEvent
        What stands in the record, oldest first; undone events are left out by the caller.

    Notes
    -----
    Rules ST1-ST9. Pure. Events of steps that lie ahead are accepted and keep their place.
    """
    before, tail = _around(steps)
    passed = len({(event.step, event.round) for event in events if event.step != CHOOSE})
    for step in before:
        if _last(events, step.id, Round()) is None:
            return _at(step, Round(), passed)
    index, puncture = 0, 1
    while index < len(targets):
        found, move = _walk_puncture(steps, targets, index, puncture, events, passed)
        if found is not None:
            return found
        if move == "another_puncture":
            puncture += 1
        elif move == "next_target":
            index, puncture = index + 1, 1
        else:
            break
    for step in tail:
        if _last(events, step.id, Round()) is None:
            return _at(step, Round(), passed)
    return Progress(None, Round(), "", (), (), passed, is_finished=True)


def find_out_of_turn(
    steps: Sequence[Step], targets: Sequence[PlannedTarget], events: Sequence[StepEvent]
) -> list[int]:
    """Return the places of events that were recorded while another step stood first (ST10).

    They stay as recorded; a report shows them as such. An override is never out of turn: it is
    how a person passes a gate.
    """
    places = []
    for place, event in enumerate(events):
        now = follow_protocol(steps, targets, events[:place])
        if event.outcome != "override" and (event.step, event.round) != (now.step, now.round):
            places.append(place)
    return places


def _around(steps: Sequence[Step]) -> tuple[list[Step], list[Step]]:
    """Return the steps before the first loop and those after the last."""
    looped = [place for place, step in enumerate(steps) if step.loop is not None]
    if not looped:
        return list(steps), []
    return list(steps[: looped[0]]), list(steps[looped[-1] + 1 :])


def _walk_puncture(
    steps: Sequence[Step],
    targets: Sequence[PlannedTarget],
    index: int,
    puncture: int,
    events: Sequence[StepEvent],
    passed: int,
) -> tuple[Progress | None, str | None]:
    """Return where one puncture stands, or the move that leads out of it."""
    target = targets[index]
    here = Round(target.label, puncture)
    for step in _loop(steps, "puncture"):
        if _last(events, step.id, here) is None:
            return _at(step, here, passed), None
    returned = _last(events, BLOOD_RETURN, here)
    has_blood = returned is not None and returned.outcome in ("done", "override")
    gates = _gates(target, has_blood=has_blood)
    point, after = here, BLOOD_RETURN
    move = "coil" if has_blood and target.coils_planned > 0 else None
    placed = _count_placed(steps, target.label, events)
    coil = aliquot = 0
    while True:
        if move is None:
            latest = _last(events, CHOOSE, point, also=after)
            move = latest.move if latest else None
        offered = _choices(
            targets, index, coil=coil, placed=placed, aliquot=aliquot, has_blood=has_blood
        )
        if move == "try_again" and after == BLOOD_RETURN and not has_blood:
            return _at(_by_id(steps, BLOOD_RETURN), here, passed), None
        if move not in offered:
            return (
                Progress(CHOOSE, point, "choose", offered, gates, passed, is_finished=False),
                None,
            )
        if move in ("another_puncture", "next_target", "withdraw"):
            return None, move
        if move in ("coil", "another_coil"):
            coil += 1
            point, loop = Round(target.label, puncture, coil=coil), "coil"
        else:
            aliquot += 1
            point, loop = Round(target.label, puncture, aliquot=aliquot), "aliquot"
        inside = _loop(steps, loop)
        for step in inside:
            if _last(events, step.id, point) is None:
                return _at(step, point, passed, gates), None
        after, move = inside[-1].id, None


def _count_placed(steps: Sequence[Step], label: str, events: Sequence[StepEvent]) -> int:
    """Return the coils that formed in a target; a discarded one does not count (ST6)."""
    forming = {step.id for step in steps if step.takes == "coil"}
    outcomes = {
        event.round: event.outcome
        for event in events
        if event.step in forming and event.round.target == label
    }
    return sum(outcome in ("done", "override") for outcome in outcomes.values())


def _choices(
    targets: Sequence[PlannedTarget],
    index: int,
    *,
    coil: int,
    placed: int,
    aliquot: int,
    has_blood: bool,
) -> tuple[str, ...]:
    """Return the moves open at a point of choice, the planned one first (ST6)."""
    target = targets[index]
    may_inject = target.wants_adhesive and has_blood
    coil_move = "another_coil" if coil else "coil"
    adhesive_move = "another_aliquot" if aliquot else "adhesive"
    is_last = index == len(targets) - 1
    onward = ["withdraw"] if is_last else ["next_target", "withdraw"]
    injecting = [adhesive_move] if may_inject else []
    if not has_blood and coil == 0:
        return ("try_again", "another_puncture", "coil", *onward)
    if aliquot:
        order = [*onward, adhesive_move, coil_move, "another_puncture"]
    elif placed < target.coils_planned:
        order = [coil_move, *injecting, "another_puncture", *onward]
    else:
        order = [*injecting, *onward, coil_move, "another_puncture"]
    return tuple(order)


def _gates(target: PlannedTarget, *, has_blood: bool) -> tuple[OpenGate, ...]:
    if has_blood:
        return ()
    if target.wants_adhesive:
        return (OpenGate("BLOOD-RETURN", "hard", HARD_TEXT),)
    return (OpenGate("BLOOD-RETURN", "soft", SOFT_TEXT),)


def _at(step: Step, at: Round, passed: int, gates: tuple[OpenGate, ...] = ()) -> Progress:
    return Progress(step.id, at, step.phase, (), gates, passed, is_finished=False)


def _loop(steps: Sequence[Step], loop: str) -> list[Step]:
    return [step for step in steps if step.loop == loop]


def _by_id(steps: Sequence[Step], step_id: str) -> Step:
    return next(step for step in steps if step.id == step_id)


def _last(
    events: Sequence[StepEvent], step: str, at: Round, also: str | None = None
) -> StepEvent | None:
    """Return the latest event of a step (or of either step) in a round."""
    for event in reversed(events):
        if event.round == at and event.step in (step, also):
            return event
    return None
