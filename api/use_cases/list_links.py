"""At the hub: proposals and links as people read them, with what was said of each and when."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

import msgspec

from api.linkage.encoded_traits import ENCODED
from api.linkage.link_weighing import Weighing, weigh_told
from api.linkage.network_links import (
    JOINED,
    NOT_SAME,
    PARTED,
    PARTING,
    PROPOSED,
    Finding,
    LinkVoices,
    judge_voices,
)
from api.storage.unit_store import UnitStore
from api.use_cases.decide_links import find_link
from api.use_cases.link_answers import answers_to
from api.use_cases.link_history import (
    LinkEvent,
    answer_operations,
    read_history,
    staff_name,
    wall_ms,
)
from api.use_cases.link_patients import read_packaged_weights, unit_of
from api.use_cases.network_units import unit_name
from api.use_cases.settle_links import (
    LAPSED,
    list_findings,
    per_mille_in,
    person_in,
    traits_in,
    voices_of,
)
from sync.merge import RecordState, shown_value
from sync.operation import Operation

LinkState = Literal["proposed", "joined", "parted"]
MOST_LISTED = 100
_STANDINGS: dict[LinkState, tuple[str, ...]] = {
    "proposed": ("proposed", "one_voice"),
    "joined": ("joined", PARTING),
    "parted": ("apart",),
}
# They wait for people, however unlikely the pair is.
_FIRST = (LAPSED, PARTING)
_JOINING, _PARTING = ("agreed", "joined"), ("part-asked", "parted")
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
    """Who of the hub gave a voice, when, and why; "" for a voice that they are one."""

    staff: str
    name: str
    at_ms: int
    because: str = ""


class NetworkLink(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal with all that people need to decide on it; no name, no day of birth.

    Parameters
    ----------
    probability_per_mille : int
        The chance as it was last weighed; `weighing` takes it apart by the numbers of today.
    agreed, parting : list of Agreed
        Whose voices stand that they are one, and that the joined pair is to be parted.
    may_agree, may_part, may_take_back, may_reopen : bool
        Which act is left to whoever looks.
    """

    link: str
    state: LinkState
    probability_per_mille: int
    traits: list[LinkTrait]
    weighing: Weighing
    a: LinkedPatient
    b: LinkedPatient
    answers: list[UnitAnswer]
    agreed: list[Agreed]
    parting: list[Agreed]
    may_agree: bool
    may_part: bool
    may_take_back: bool
    may_reopen: bool
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

    Before these stand, however unlikely, proposals that were joined on what was corrected since,
    and joined pairs of which one of two people has said that they are to be parted.

    Parameters
    ----------
    by : str
        Who looks, ``staff/<id>`` or "" for the machine: whether that person may still agree.
    """
    least = read_packaged_weights().review_from_per_mille if state == PROPOSED else 0
    wanted = _STANDINGS[state]
    with store.reading():
        findings = list_findings(store)
        rows = store.links.links_standing(wanted, least=least, limit=MOST_LISTED + 1)
        if state == PROPOSED:
            rows = [*store.links.links_standing(_FIRST, limit=MOST_LISTED), *rows]
        waiting = store.links.count_standing(_FIRST) + store.links.count_standing(
            _STANDINGS["proposed"], least=read_packaged_weights().review_from_per_mille
        )
        listed = [row.link for row in rows[:MOST_LISTED]]
        held = store.views.states_of(listed)
        # One that was struck a moment ago stands in the rows until it is settled.
        states = [held[link] for link in listed if link in held]
        links = _show_links(
            store, [state for state in states if not state.is_entered_in_error], by=by
        )
    return NetworkLinks(open=waiting, more=len(rows) > MOST_LISTED, links=links, findings=findings)


def show_link(store: UnitStore, link: str, *, by: str) -> NetworkLink:
    """Return one link; inside a transaction or a reading.

    Raises
    ------
    NotAllowedError
        There is none of this name.
    """
    (shown,) = _show_links(store, [find_link(store, link)], by=by)
    return shown


def _show_links(store: UnitStore, states: Sequence[RecordState], *, by: str) -> list[NetworkLink]:
    """Return links as people read them; what all of them name is read at once."""
    voices = [voices_of(store, state) for state in states]
    named = {patient for one in voices for patient in (one.one, one.other)}
    around = _Around(
        patients=store.views.states_of(named),
        cases=store.links.cases_of(named),
        written=store.operations.of_records(state.record for state in states),
    )
    pairs = zip(states, voices, strict=True)
    return [_show_link(store, state, said, around, by=by) for state, said in pairs]


class _Around(msgspec.Struct, frozen=True):
    """Patients of links and how many cases each has, by patient; operations by link."""

    patients: Mapping[str, RecordState]
    cases: Mapping[str, int]
    written: Mapping[str, list[Operation]]


def _show_link(
    store: UnitStore, state: RecordState, voices: LinkVoices, around: _Around, *, by: str
) -> NetworkLink:
    shown = _SHOWN.get(judge_voices(voices).state, "proposed")
    history = read_history(store, state, around.written[state.record])
    told = traits_in(state)
    patients = [around.patients.get(one) for one in (voices.one, voices.other)]
    is_held = all(person_in(one) is not None for one in patients)
    mine = voices.parting if shown == JOINED else voices.people
    return NetworkLink(
        link=state.record,
        state=shown,
        probability_per_mille=per_mille_in(state),
        traits=[LinkTrait(*one) for one in told],
        weighing=weigh_told(
            read_packaged_weights(), ENCODED.traits, told, others=_others(store, patients)
        ),
        a=_patient(store, voices.one, around),
        b=_patient(store, voices.other, around),
        answers=_answers(store, state),
        agreed=[_voice(store, history, who, _JOINING) for who in voices.people],
        # Of a pair that was set aside, or parted by a unit, nobody asked for a parting.
        parting=[_voice(store, history, who, _PARTING) for who in voices.parting],
        may_agree=shown == PROPOSED and by not in voices.people and is_held,
        may_part=shown == JOINED and by not in voices.parting,
        may_take_back=shown != PARTED and by in mine,
        may_reopen=(
            PARTED in voices.states
            and is_held
            and not any(NOT_SAME in said for said in voices.answers.values())
        ),
        history=history,
    )


def _others(store: UnitStore, patients: Iterable[RecordState | None]) -> int:
    """Return among how many patients a pair was found, by whichever of its units has more to meet.

    The more there are, the more has to speak for a pair.
    """
    return max((store.links.others_than(unit_of(one)) for one in patients if one), default=0)


def _patient(store: UnitStore, patient: str, around: _Around) -> LinkedPatient:
    state = around.patients.get(patient)
    fields = state.fields if state else {}
    year, sex = shown_value(fields.get("birth_year")), shown_value(fields.get("sex"))
    unit = unit_of(state) if state else ""
    return LinkedPatient(
        patient=patient,
        unit=unit,
        unit_name=unit_name(store, unit),
        birth_year=year if isinstance(year, int) else None,
        sex=sex if isinstance(sex, str) else "",
        cases=around.cases.get(patient, 0),
    )


def _answers(store: UnitStore, state: RecordState) -> list[UnitAnswer]:
    when = {one.device: one for one in answer_operations(store, state)}
    return [
        UnitAnswer(
            unit=unit,
            unit_name=unit_name(store, unit),
            answer=said[0] if len(set(said)) == 1 else "",
            at_ms=wall_ms(when[unit]) if unit in when else 0,
        )
        for unit, said in sorted(answers_to(store, state).items())
        if said
    ]


def _voice(store: UnitStore, history: Sequence[LinkEvent], who: str, acts: Sequence[str]) -> Agreed:
    given = [one for one in history if one.staff == who and one.act in acts]
    return Agreed(
        staff=who,
        name=staff_name(store, who),
        at_ms=given[-1].at_ms if given else 0,
        because=given[-1].because if given else "",
    )
