"""What units answered about a link, as far as it was said since the link last began anew.

Where people part two records, or what they were compared by is corrected, everybody is asked anew:
the units as well as the people of the hub. A word of before joins nobody (HAZ-42).
"""

from collections.abc import Collection, Iterable, Mapping

from api.linkage.link_graph import FEWEST_SAME
from api.linkage.network_links import SAME, VOICE_TAKEN_BACK, agreeing_identifiers
from api.storage.unit_store import UnitStore
from api.use_cases.record_values import parts_of
from api.use_cases.server_role import HUB_DEVICE
from sync.merge import HeldValue, RecordState
from sync.operation import Operation, decode_body

ANSWER_KIND = "registry_link_answer"
_FOUNDED_BY = "a"


def answers_to(store: UnitStore, state: RecordState) -> Mapping[str, tuple[str, ...]]:
    """Return what each of the two units answered; of other units nothing counts.

    Inside a transaction, at the hub. A ``same`` of before the link began anew is none (NL2);
    a ``not-same`` stands until its unit takes it back.
    """
    units = (one.value for one in _values(state, "units"))
    named = {str(unit) for one in units if isinstance(one, list | tuple) for unit in one}
    answers = [
        answer
        for record in store.links.children_of(state.record, ANSWER_KIND)
        if (answer := store.views.state_of(record)) is not None and not answer.is_entered_in_error
    ]
    over = find_over(store, state.record, answers)
    found: dict[str, tuple[str, ...]] = {}
    for answer in answers:
        unit = answer.heads[0].split(".", 1)[0] if answer.heads else ""
        if unit in named:
            said = tuple(str(one.value) for one in standing_values(answer, over) if one.value)
            found[unit] = (*found.get(unit, ()), *said)
    return found


def standing_values(answer: RecordState, over: Collection[str]) -> list[HeldValue]:
    """Return the values of an answer without each ``same`` that is over."""
    return [
        one
        for one in _values(answer, "answer")
        if one.value != SAME or any(reference not in over for reference in one.references)
    ]


def find_over(store: UnitStore, link: str, answers: Iterable[RecordState]) -> set[str]:
    """Return the references of all that units said before a link last began anew.

    Inside a transaction, at the hub or at a unit.

    Notes
    -----
    Rule NL2: both have to be later, the stamp and the place in the log. A unit whose clock runs
    ahead has said nothing of later, and what arrives late may be of before.
    """
    said = [one for one in answers if any(held.value == SAME for held in _values(one, "answer"))]
    if not said:
        return set()
    spoken: list[Operation] = []
    over: set[str] = set()
    begun_at = ""
    for operation in store.operations.in_order([link, *(one.record for one in said)]):
        if operation.record != link:
            spoken.append(operation)
        elif _begins_anew(operation):
            over.update(one.reference for one in spoken)
            begun_at = max(begun_at, operation.stamp)
    return over | {one.reference for one in spoken if one.stamp < begun_at}


def _begins_anew(operation: Operation) -> bool:
    """Say whether what the hub wrote leaves nothing of what had been agreed on."""
    if operation.device != HUB_DEVICE or operation.body_text is None:
        return False
    body = decode_body(operation.body_text)
    said = body.set
    # Who takes back an own voice unsays nothing that a unit has said.
    if _FOUNDED_BY in said or body.because == VOICE_TAKEN_BACK:
        return False
    if "joined_by" in said and not said["joined_by"]:
        return True
    traits = parts_of(said.get("score")).get("traits")
    return isinstance(traits, list | tuple) and (
        len({*agreeing_identifiers(read_traits_told(traits))}) < FEWEST_SAME
    )


def read_traits_told(listed: object) -> list[tuple[str, str]]:
    """Return each trait that was compared and its level, in words."""
    return [
        (str(one[0]), str(one[1]))
        for one in (listed if isinstance(listed, list | tuple) else ())
        if isinstance(one, list | tuple) and len(one) == len(("trait", "level"))
    ]


def _values(state: RecordState, field: str) -> tuple[HeldValue, ...]:
    held = state.fields.get(field)
    return held.values if held else ()
