"""At a unit: proposals of the hub that concern own patients, with names for people of the unit.

The hub knows pseudonyms alone. The unit makes those of its own patients again from its site key,
so that a clinician sees who is meant; what goes back is a word: the same, not the same, or nobody
can tell (SEC-24).
"""

import datetime

import msgspec

from api.linkage.network_links import ANSWERS
from api.registry.pseudonyms import pseudonym_of
from api.storage.site_key import load_site_key
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.link_answers import ANSWER_KIND, find_over, standing_values
from api.use_cases.name_answers import name_answer
from api.use_cases.record_values import text_of
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.settle_links import per_mille_in, traits_in
from sync.clock import read_stamp
from sync.merge import RecordState, shown_value


class OwnPatient(msgspec.Struct, frozen=True, kw_only=True):
    """Whom of the unit a proposal means."""

    patient: str
    number: str
    name: str
    born_on: str


class SharedTrait(msgspec.Struct, frozen=True):
    """What the hub compared, and how alike it is, in words."""

    trait: str
    level: str


class ProposalHere(msgspec.Struct, frozen=True, kw_only=True):
    """A proposal as a unit sees it; of the other patient it knows no more than the unit.

    ``own`` is None where the record that was meant is not told to the network any more. With
    ``is_asked_anew`` the unit had answered, and its word counts no longer: they were parted since,
    or what they are compared by was corrected. ``answer`` is "" then.
    """

    proposal: str
    state: str
    other_unit_name: str
    probability_per_mille: int
    traits: list[SharedTrait]
    own: OwnPatient | None
    answer: str
    answered_ms: int | None
    is_asked_anew: bool = False


def list_proposals_here(store: UnitStore) -> list[ProposalHere]:
    """Return the proposals that concern this unit: those without an answer first."""
    site_key = load_site_key(store.folder)
    with store.transaction():
        unit = registry_device(store)
        own = _own_patients(store, site_key)
        found = [
            _show(store, state, unit, own)
            for state in store.views.of_kind("network_link")
            if not state.is_entered_in_error and unit in _names(state, "units")
        ]
    return sorted(
        found, key=lambda one: (one.answer != "", -one.probability_per_mille, one.proposal)
    )


def answer_proposal(
    store: UnitStore, proposal: str, answer: str, *, chance: Chance
) -> list[ProposalHere]:
    """Tell the hub whether the two are one person; return the proposals as they stand.

    Raises
    ------
    NotAllowedError
        There is no such proposal about a patient of this unit. Nothing is written.
    CalculationError
        The answer is none of the three.
    """
    if answer not in ANSWERS:
        raise CalculationError(f"Answer with one of: {', '.join(ANSWERS)}.")
    with store.transaction():
        known = {one.proposal: one for one in list_proposals_here(store)}
        if proposal not in known or known[proposal].own is None:
            message = f"{proposal[:60]!r} is about no patient of this unit. See the list again."
            raise NotAllowedError(message)
        unit = registry_device(store)
        record = name_answer(ANSWER_KIND, unit, proposal)
        at = datetime.datetime.fromtimestamp(chance.now_ms / 1_000, datetime.UTC)
        fields = {
            "unit": unit,
            "proposal": proposal,
            "answer": answer,
            "answered_at": at.isoformat(timespec="seconds"),
        }
        held = store.views.state_of(record)
        over = {
            name: held.fields[name].references
            for name in fields
            if held is not None and name in held.fields
        }
        # Who of the unit answered stands in its own trail of access and does not leave.
        write_as_server(store, record, fields, by=unit, because="", chance=chance, over=over)
        return list_proposals_here(store)


def _own_patients(store: UnitStore, site_key: bytes) -> dict[str, OwnPatient]:
    """Return the unit's patients by the pseudonym under which the hub knows each."""
    return {
        pseudonym_of(site_key, state.record): OwnPatient(
            patient=state.record,
            number=text_of(state, "local_id"),
            name=", ".join(
                part
                for part in (text_of(state, "family_name"), text_of(state, "given_name"))
                if part
            ),
            born_on=text_of(state, "born_on"),
        )
        for state in store.views.of_kind("patient")
        if not state.is_entered_in_error
    }


def _show(
    store: UnitStore, state: RecordState, unit: str, own: dict[str, OwnPatient]
) -> ProposalHere:
    told = shown_value(state.fields.get("state"))
    pair = (*_names(state, "a"), *_names(state, "b"))
    units, names = _names(state, "units"), _names(state, "unit_names")
    called = dict(zip(units, names, strict=False))
    others = [one for one in units if one != unit]
    held = store.views.state_of(name_answer(ANSWER_KIND, unit, state.record))
    over = find_over(store, state.record, [held] if held is not None else [])
    standing = standing_values(held, over) if held is not None else []
    stamp = read_stamp(standing[-1].stamp) if standing else None
    return ProposalHere(
        proposal=state.record,
        state=told if isinstance(told, str) else "proposed",
        other_unit_name=", ".join(called.get(one, one) for one in others),
        probability_per_mille=per_mille_in(state),
        traits=[SharedTrait(*one) for one in traits_in(state)],
        own=next((own[one] for one in pair if one in own), None),
        answer=str(standing[-1].value or "") if standing else "",
        answered_ms=stamp.wall_ms if stamp else None,
        is_asked_anew=bool(over) and not standing,
    )


def _names(state: RecordState, field: str) -> list[str]:
    """Return the texts of a field, of lists their parts; the first value alone."""
    held = state.fields.get(field)
    first = held.values[0].value if held else None
    if isinstance(first, list | tuple):
        return [one for one in first if isinstance(one, str)]
    return [first] if isinstance(first, str) else []
