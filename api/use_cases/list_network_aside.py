"""At a hub that was put back: what people of it had done, lies aside, and has to be done again.

What the hub had signed comes back by its units (RG13). What lies aside all the same, as of a unit
of an older release, or where people have decided anew since, is told to people of the hub until
they have done it again or decided otherwise: a recall that was withdrawn may stand in force.
"""

from typing import Any, Literal

import msgspec

from api.storage.operation_store import Quarantined
from api.storage.unit_store import UnitStore
from api.use_cases.link_history import staff_name, wall_ms
from api.use_cases.list_network_recalls import Criteria, criteria_of
from api.use_cases.network_units import unit_name
from api.use_cases.older_copy import put_back_ms
from api.use_cases.receive_resupply import RESUPPLY_DAYS
from api.use_cases.server_role import HUB_DEVICE
from sync.clock import DAY_MS, read_stamp
from sync.errors import SyncError
from sync.merge import RecordState, shown_value
from sync.operation import Body, Operation, decode_body, read_operation

# Project default: as many as a person goes through in one sitting; the newest are told.
MOST_TOLD = 100
_KINDS: dict[str, Literal["recall", "rule-file", "link"]] = {
    "network_recall": "recall",
    "network_rule_file": "rule-file",
    "network_link": "link",
}
AsideAct = Literal[
    "begun", "offered", "withdrawn", "agreed", "joined", "parting", "parted", "changed"
]


class AsideWord(msgspec.Struct, frozen=True, kw_only=True):
    """One act of a person of the hub that lies aside.

    Parameters
    ----------
    at_ms : int
        When it was done, by the hub's clock.
    by_name : str
        Who did it, "" where nobody of that id is known here any more.
    item, criteria, issued_on, reason : of a recall.
    file, version : of a rule file; 0 where it is not known.
    unit_names : of a link, whose two units.
    """

    record: str
    kind: Literal["recall", "rule-file", "link"]
    act: AsideAct
    at_ms: int
    by_name: str
    because: str
    item: str = ""
    criteria: Criteria = Criteria()
    issued_on: str = ""
    reason: str = ""
    file: str = ""
    version: int = 0
    unit_names: tuple[str, ...] = ()


class NetworkAside(msgspec.Struct, frozen=True, kw_only=True):
    """What a person of the hub has to look at after it was put back, and what else is not sound.

    Parameters
    ----------
    put_back_ms : int or None
        When it was put back last; None where never.
    is_open : bool
        Its units may still bring what it lacks.
    words : list of AsideWord
        Own acts to be done again, the newest first.
    more : int
        How many further ones are not told.
    of_units : int
        Entries of units that the hub has set aside; each unit is told why.
    forks, damaged, waiting : int
        As in health.
    """

    put_back_ms: int | None
    is_open: bool
    words: list[AsideWord]
    more: int
    of_units: int
    forks: int
    damaged: int
    waiting: int


def list_network_aside(store: UnitStore, *, now_ms: int) -> NetworkAside:
    """Return what lies aside at the hub, its own acts one by one."""
    with store.transaction():
        since = put_back_ms(store)
        own = store.operations.quarantined(of_device=HUB_DEVICE)
        read = [found for one in own if (found := _read(one)) is not None]
        words = _list_words(store, read, since)
        words.sort(key=lambda one: -one.at_ms)
        return NetworkAside(
            put_back_ms=since or None,
            is_open=since > 0 and now_ms - since <= RESUPPLY_DAYS * DAY_MS,
            words=words[:MOST_TOLD],
            more=max(0, len(words) - MOST_TOLD),
            of_units=store.operations.count_quarantined() - len(own),
            forks=len(store.marks.forks()),
            damaged=len(store.operations.damaged()),
            waiting=sum(store.waiting.gaps().values()),
        )


def _read(one: Quarantined) -> Operation | None:
    """Return an operation whose text can be read; of an erased record there is none any more."""
    try:
        return read_operation(one.envelope, one.body or None)
    except SyncError:
        return None


def _list_words(store: UnitStore, own: list[Operation], since: int) -> list[AsideWord]:
    bodies = [
        (one, decode_body(one.body_text))
        for one in sorted(own, key=lambda one: one.stamp)
        if one.body_text is not None and one.kind in _KINDS
    ]
    known: dict[str, dict[str, Any]] = {}
    for operation, body in bodies:
        known.setdefault(operation.record, {}).update(body.set)
    return [
        _word(store, operation, body, known[operation.record])
        for operation, body in bodies
        if body.by.startswith("staff/") and not _is_settled(store, operation, body, since)
    ]


def _is_settled(store: UnitStore, operation: Operation, body: Body, since: int) -> bool:
    """Say whether it stands by now, or people of the hub have decided otherwise since."""
    state = store.views.state_of(operation.record)
    if state is None or state.is_entered_in_error:
        return False
    said = body.set.get("state")
    if said is not None and shown_value(state.fields.get("state")) == said:
        return operation.kind != "network_link" or said != "proposed"
    if operation.kind == "network_recall":
        # A notice in force is ended by its withdrawal alone.
        return False
    return any(
        one.device == HUB_DEVICE
        and one.body_text is not None
        and decode_body(one.body_text).by.startswith("staff/")
        and (stamp := read_stamp(one.stamp)) is not None
        and stamp.wall_ms >= since
        for one in store.operations.of_record(operation.record)
    )


def _word(store: UnitStore, operation: Operation, body: Body, aside: dict[str, Any]) -> AsideWord:
    state = store.views.state_of(operation.record)
    told = {**aside, **_shown(state)}
    file = told.get("file")
    named = file if isinstance(file, dict) else {}
    units = told.get("units")
    version = named.get("version")
    return AsideWord(
        record=operation.record,
        kind=_KINDS[operation.kind],
        act=_act_of(operation, body),
        at_ms=wall_ms(operation),
        by_name=staff_name(store, body.by),
        because=body.because,
        item=_text(told, "item"),
        criteria=criteria_of(told.get("criteria")),
        issued_on=_text(told, "issued_on"),
        reason=_text(told, "reason"),
        file=_text(named, "name"),
        version=version if isinstance(version, int) else 0,
        unit_names=tuple(unit_name(store, str(one)) for one in units)
        if isinstance(units, list | tuple)
        else (),
    )


def _shown(state: RecordState | None) -> dict[str, Any]:
    held = state.fields.items() if state is not None else ()
    return {name: value for name, one in held if (value := shown_value(one)) is not None}


def _act_of(operation: Operation, body: Body) -> AsideAct:
    said = body.set.get("state")
    if said == "withdrawn":
        return "withdrawn"
    if operation.kind == "network_recall":
        return "changed" if body.over else "begun"
    if operation.kind == "network_rule_file":
        return "offered" if said == "offered" else "changed"
    if said in ("joined", "parted"):
        return "joined" if said == "joined" else "parted"
    if body.set.get("parted_by"):
        return "parting"
    return "agreed" if body.set.get("joined_by") else "changed"


def _text(told: dict[str, Any], name: str) -> str:
    value = told.get(name)
    return value if isinstance(value, str) else ""
