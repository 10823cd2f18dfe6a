"""At the hub: what happened to a link so far, act by act, read from its operations."""

from collections.abc import Iterable
from typing import Literal

import msgspec

from api.linkage.network_links import JOINED, PARTED, VOICE_TAKEN_BACK
from api.storage.unit_store import UnitStore
from api.use_cases.link_answers import ANSWER_KIND
from api.use_cases.network_units import unit_name
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value
from sync.operation import Body, Operation, decode_body

LinkEventAct = Literal[
    "proposed",
    "agreed",
    "joined",
    "reopened",
    "part-asked",
    "parted",
    "set-aside",
    "taken-back",
    "answered",
]


class LinkEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One step in the history of a link; ``because`` is a reason of the closed list.

    ``at_ms`` is 0 for the proposal itself.
    """

    at_ms: int
    staff: str
    name: str
    act: LinkEventAct
    because: str


def read_history(
    store: UnitStore, state: RecordState, written: Iterable[Operation]
) -> list[LinkEvent]:
    """Return every act of people and units on a link, the first one first.

    Parameters
    ----------
    written : iterable of Operation
        All that is held of the record of the link, whoever wrote it.
    """
    own = [one for one in written if one.device == HUB_DEVICE and one.body_text is not None]
    operations = [*own, *answer_operations(store, state)]
    events: list[LinkEvent] = []
    before = ""
    for operation in sorted(operations, key=lambda one: (one.stamp, one.reference)):
        body = decode_body(operation.body_text or "")
        if operation.kind == ANSWER_KIND:
            act, because = "answered", str(body.set.get("answer", ""))
        elif body.because == VOICE_TAKEN_BACK:
            act, because = "taken-back", ""
        elif "state" not in body.set and body.set.get("parted_by"):
            act, because = "part-asked", body.because
        elif "state" in body.set:
            act, because = _act_of(body, before), body.because
            before = str(body.set["state"])
        else:
            # A score that was weighed anew is no act of anybody.
            continue
        events.append(_event(store, operation, body, act, because))
    return events


def _act_of(body: Body, before: str) -> str:
    state = body.set["state"]
    if state == PARTED:
        return "parted" if before == JOINED else "set-aside"
    if state == JOINED:
        return "joined"
    if before:
        return "agreed" if body.set.get("joined_by") else "reopened"
    return "proposed"


def _event(store: UnitStore, operation: Operation, body: Body, act: str, because: str) -> LinkEvent:
    who = operation.device if act == "answered" else body.by
    name = unit_name(store, who) if act == "answered" else staff_name(store, who)
    # When a pair was found tells when one of them was treated; it is told of people's acts alone.
    at_ms = 0 if act == "proposed" else wall_ms(operation)
    content = {"at_ms": at_ms, "staff": who, "name": name, "act": act}
    return msgspec.convert({**content, "because": because}, LinkEvent)


def answer_operations(store: UnitStore, state: RecordState) -> list[Operation]:
    """Return what units wrote in answer to a link."""
    return [
        one
        for record in store.links.children_of(state.record, ANSWER_KIND)
        for one in store.operations.of_record(record)
        if one.body_text is not None and "answer" in decode_body(one.body_text).set
    ]


def staff_name(store: UnitStore, who: str) -> str:
    """Return what somebody of the hub is called, "" where nobody is known."""
    state = store.views.state_of(who) if who.startswith("staff/") else None
    name = shown_value(state.fields.get("name")) if state else None
    return name if isinstance(name, str) else ""


def wall_ms(operation: Operation) -> int:
    """Return when an operation was written, by the clock of whoever wrote it."""
    stamp = read_stamp(operation.stamp)
    return stamp.wall_ms if stamp else 0
