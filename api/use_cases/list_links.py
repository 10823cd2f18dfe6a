"""At the hub: proposals and links as people read them, with what was said of each and when."""

from collections.abc import Sequence
from typing import Literal

import msgspec

from api.linkage.network_links import JOINED, PARTED, PROPOSED, Finding
from api.storage.unit_store import UnitStore
from api.use_cases.decide_links import find_link
from api.use_cases.link_answers import ANSWER_KIND, answers_to
from api.use_cases.link_patients import read_packaged_weights
from api.use_cases.network_units import unit_name
from api.use_cases.server_role import HUB_DEVICE
from api.use_cases.settle_links import (
    LAPSED,
    are_both_held,
    judge_link,
    list_groups,
    people_in,
    per_mille_in,
    traits_in,
    voices_of,
)
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value
from sync.operation import Body, Operation, decode_body

LinkState = Literal["proposed", "joined", "parted"]
MOST_LISTED = 100
_STANDINGS: dict[LinkState, tuple[str, ...]] = {
    "proposed": ("proposed", "one_voice"),
    "joined": ("joined",),
    "parted": ("apart",),
}
_SHOWN: dict[str, LinkState] = {
    standing: state for state, standings in _STANDINGS.items() for standing in standings
}


class LinkTrait(msgspec.Struct, frozen=True):
    """What was compared, and how alike it is, in words."""

    trait: str
    level: str


class LinkedPatient(msgspec.Struct, frozen=True, kw_only=True):
    """One of the two: a pseudonym of the unit that holds the patient."""

    patient: str
    unit: str
    unit_name: str
    birth_year: int | None
    sex: str
    cases: int


class UnitAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What one of the two units answered; ``answer`` "" while two answers stand."""

    unit: str
    unit_name: str
    answer: str
    at_ms: int


class Agreed(msgspec.Struct, frozen=True, kw_only=True):
    """Who of the hub agreed that they are one, and when."""

    staff: str
    name: str
    at_ms: int


class LinkEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One step in the history of a link; ``because`` is a reason of the closed list.

    ``at_ms`` is 0 for the proposal itself.
    """

    at_ms: int
    staff: str
    name: str
    act: Literal["proposed", "agreed", "joined", "reopened", "parted", "set-aside", "answered"]
    because: str


class NetworkLink(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal with all that people need to decide on it; no name, no day of birth."""

    link: str
    state: LinkState
    probability_per_mille: int
    traits: list[LinkTrait]
    a: LinkedPatient
    b: LinkedPatient
    answers: list[UnitAnswer]
    agreed: list[Agreed]
    may_agree: bool
    history: list[LinkEvent]


class NetworkLinks(msgspec.Struct, frozen=True, kw_only=True):
    """Links of one state, the likeliest first; ``open`` wait for people, whatever is listed.

    ``findings`` are groups that links would make and that a guard keeps apart.
    """

    open: int
    more: bool
    links: list[NetworkLink]
    findings: list[Finding]


def list_links(store: UnitStore, state: LinkState, *, by: str) -> NetworkLinks:
    """Return the links of a state; of proposals those that are likely enough to be looked at.

    Before these stand proposals that were joined on what was corrected since, however unlikely.

    Parameters
    ----------
    by : str
        Who looks, ``staff/<id>`` or "" for the machine: whether that person may still agree.
    """
    least = read_packaged_weights().review_from_per_mille if state == PROPOSED else 0
    wanted = _STANDINGS[state]
    _, findings = list_groups(store)
    with store.reading():
        rows = store.links.links_standing(wanted, least=least, limit=MOST_LISTED + 1)
        if state == PROPOSED:
            rows = [*store.links.links_standing([LAPSED], limit=MOST_LISTED), *rows]
        waiting = store.links.count_standing([LAPSED]) + store.links.count_standing(
            _STANDINGS["proposed"], least=read_packaged_weights().review_from_per_mille
        )
        links = [show_link(store, row.link, by=by) for row in rows[:MOST_LISTED]]
    return NetworkLinks(open=waiting, more=len(rows) > MOST_LISTED, links=links, findings=findings)


def show_link(store: UnitStore, link: str, *, by: str) -> NetworkLink:
    """Return one link; inside a transaction or a reading.

    Raises
    ------
    NotAllowedError
        There is none of this name.
    """
    state = find_link(store, link)
    standing = judge_link(store, state)
    voices = voices_of(store, state)
    shown = _SHOWN.get(standing.state, "proposed")
    history = _history(store, state)
    people = people_in(state)
    return NetworkLink(
        link=link,
        state=shown,
        probability_per_mille=per_mille_in(state),
        traits=[LinkTrait(*one) for one in traits_in(state)],
        a=_patient(store, voices.one),
        b=_patient(store, voices.other),
        answers=_answers(store, state),
        agreed=[
            Agreed(staff=who, name=staff_name(store, who), at_ms=_last_ms(history, who))
            for who in people
        ],
        may_agree=shown != JOINED and by not in people and are_both_held(store, voices),
        history=history,
    )


def _patient(store: UnitStore, patient: str) -> LinkedPatient:
    state = store.views.state_of(patient)
    fields = state.fields if state else {}
    year, sex = shown_value(fields.get("birth_year")), shown_value(fields.get("sex"))
    unit = state.heads[0].split(".", 1)[0] if state and state.heads else ""
    return LinkedPatient(
        patient=patient,
        unit=unit,
        unit_name=unit_name(store, unit),
        birth_year=year if isinstance(year, int) else None,
        sex=sex if isinstance(sex, str) else "",
        cases=store.links.cases_of([patient]).get(patient, 0),
    )


def _answers(store: UnitStore, state: RecordState) -> list[UnitAnswer]:
    when = {one.device: one for one in _answer_operations(store, state)}
    return [
        UnitAnswer(
            unit=unit,
            unit_name=unit_name(store, unit),
            answer=said[0] if len(set(said)) == 1 else "",
            at_ms=_ms(when[unit]) if unit in when else 0,
        )
        for unit, said in sorted(answers_to(store, state).items())
        if said
    ]


def _history(store: UnitStore, state: RecordState) -> list[LinkEvent]:
    operations = [*_own_operations(store, state.record), *_answer_operations(store, state)]
    events: list[LinkEvent] = []
    before = ""
    for operation in sorted(operations, key=lambda one: (one.stamp, one.reference)):
        body = decode_body(operation.body_text or "")
        if operation.kind == ANSWER_KIND:
            act, because = "answered", str(body.set.get("answer", ""))
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
    at_ms = 0 if act == "proposed" else _ms(operation)
    content = {"at_ms": at_ms, "staff": who, "name": name, "act": act}
    return msgspec.convert({**content, "because": because}, LinkEvent)


def _own_operations(store: UnitStore, record: str) -> list[Operation]:
    return [
        one
        for one in store.operations.of_record(record)
        if one.device == HUB_DEVICE and one.body_text is not None
    ]


def _answer_operations(store: UnitStore, state: RecordState) -> list[Operation]:
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


def _last_ms(history: Sequence[LinkEvent], who: str) -> int:
    return max((one.at_ms for one in history if one.staff == who), default=0)


def _ms(operation: Operation) -> int:
    stamp = read_stamp(operation.stamp)
    return stamp.wall_ms if stamp else 0
