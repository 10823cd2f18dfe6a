"""At the hub: how each proposal stands by what people and units said, and who is one person."""

from collections.abc import Callable, Iterable

from api.linkage.encoded_traits import EncodedPerson
from api.linkage.link_graph import FEWEST_SAME, Standing
from api.linkage.network_links import (
    JOINED,
    MOST_IN_GROUP,
    NO_LONGER_ALIKE,
    NOT_SAME,
    PARTED,
    PARTING,
    PROPOSED,
    SAME,
    TOGETHER,
    Finding,
    LinkVoices,
    agreeing_identifiers,
    count_identifiers,
    group_patients,
    is_number_unlike,
    judge_voices,
)
from api.linkage.sent_traits import read_traits
from api.storage.link_rows import LinkRow
from api.storage.unit_store import UnitStore
from api.use_cases.link_answers import answers_to, read_traits_told
from api.use_cases.record_values import parts_of
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import RecordState, shown_value
from sync.operation import decode_body

# A record that a link names, or what it is compared by, was taken back by its unit.
GONE = "gone"
# It was joined on identifiers that agree no longer, and nobody has looked at it since.
LAPSED = "lapsed"
UNIT_SAYS_NOT_SAME, UNIT_SAYS_SAME = "unit-says-not-same", "unit-says-same"
UNIT_UNSURE, TAKEN_BACK = "unit-says-same-no-longer", "taken-back"
# What was agreed on was corrected: of a join, and of the word of one person alone.
JOIN_LAPSED, VOICE_LAPSED = "joined-on-other-traits", "agreed-on-other-traits"
# Why the hub writes it down where two people gave their voices at once.
PEOPLE_PARTED = "two-people-part"
_DECIDED = (*TOGETHER, "apart")


def settle_link(store: UnitStore, link: str, *, draw_chance: Callable[[], Chance]) -> None:
    """Write what follows from the answers of units, and keep how the link stands.

    Inside a transaction. The hub writes ``joined`` once a unit's answer is the second voice,
    ``parted`` once a unit says that they are two, and ``proposed`` once what was joined or agreed
    on does not stand any longer: what units read is how it stands. Who agreed on traits that were
    corrected or taken back agrees anew, and a unit that said so is asked anew (`link_answers`).
    """
    state = store.views.state_of(link)
    if state is None or state.is_entered_in_error:
        store.links.forget_link(link)
        return
    voices = voices_of(store, state)
    standing = judge_voices(voices)
    is_held = are_both_held(store, voices)
    if (change := _find_change(voices, standing, is_held=is_held)) is not None:
        fields, because = change
        _write(store, state, fields, because, draw_chance())
        state = store.views.state_of(link) or state
        standing = judge_link(store, state)
    store.links.keep_link(
        LinkRow(
            link=link,
            one=standing.one,
            other=standing.other,
            standing=_standing_kept(store, state, standing) if is_held else GONE,
            per_mille=per_mille_in(state),
            years_differ=len({*_birth_years(store, (standing.one, standing.other)).values()}) > 1,
        )
    )


def _find_change(
    voices: LinkVoices, standing: Standing, *, is_held: bool
) -> tuple[dict[str, object], str] | None:
    """Return what the hub has to write of a proposal and why, None where all is written."""
    states = set(voices.states)
    # A voice for parting is about the join that stands, and falls with it.
    unsaid: dict[str, object] = {"parted_by": []} if voices.parting else {}
    if standing.state == "apart":
        if states == {PARTED}:
            return None
        if any(NOT_SAME in said for said in voices.answers.values()):
            return {"state": PARTED, "joined_by": [], **unsaid}, UNIT_SAYS_NOT_SAME
        return {"state": PARTED, "joined_by": []}, PEOPLE_PARTED
    is_agreed_on = JOINED in states or bool(voices.people)
    anew: dict[str, object] = {"state": PROPOSED, "joined_by": [], **unsaid}
    if not is_held:
        is_said = is_agreed_on or any(SAME in said for said in voices.answers.values())
        return (anew, TAKEN_BACK) if is_said else None
    if count_identifiers(voices) < FEWEST_SAME:
        because = JOIN_LAPSED if JOINED in states else VOICE_LAPSED
        return (anew, because) if is_agreed_on else None
    if standing.state == JOINED:
        return None if states == {JOINED} else ({"state": JOINED}, UNIT_SAYS_SAME)
    return ({"state": PROPOSED, **unsaid}, UNIT_UNSURE) if JOINED in states else None


def _standing_kept(store: UnitStore, state: RecordState, standing: Standing) -> str:
    """Return how a proposal stands; a join that lapsed is told until somebody acts on it."""
    if standing.state == JOINED and people_parting(state):
        return PARTING
    if standing.state in _DECIDED:
        return standing.state
    said = set(state.fields["state"].references)
    operations = store.operations.of_record(state.record)
    last = [
        decode_body(one.body_text or "{}").because for one in operations if one.reference in said
    ]
    return LAPSED if JOIN_LAPSED in last else standing.state


def are_both_held(store: UnitStore, voices: LinkVoices) -> bool:
    """Say whether units still tell both patients of a proposal, and what to compare them by."""
    return all(find_person(store, one) is not None for one in (voices.one, voices.other))


def find_person(store: UnitStore, patient: str) -> EncodedPerson | None:
    """Return what a patient is compared by; None where the unit tells nothing, or no longer."""
    return person_in(store.views.state_of(patient))


def person_in(state: RecordState | None) -> EncodedPerson | None:
    """Return what the patient of a record is compared by, None where nothing is told."""
    if state is None or state.is_entered_in_error:
        return None
    held = state.fields.get("traits")
    return read_traits(state.record, held.values[-1].value) if held else None


def judge_link(store: UnitStore, state: RecordState) -> Standing:
    """Return how a proposal stands by everything that was said of it; inside a transaction."""
    return judge_voices(voices_of(store, state))


def voices_of(store: UnitStore, state: RecordState) -> LinkVoices:
    """Return what was said of a proposal and stands; inside a transaction."""
    traits = traits_in(state)
    return LinkVoices(
        one=_first(state, "a"),
        other=_first(state, "b"),
        states=[str(one) for one in _values(state, "state")],
        people=people_in(state),
        answers=answers_to(store, state),
        same=agreeing_identifiers(traits),
        is_number_unlike=is_number_unlike(traits),
        parting=people_parting(state),
    )


def people_in(state: RecordState) -> tuple[str, ...]:
    """Return who of the hub said that two are one; where two wrote at once, both count."""
    return _people(state, "joined_by")


def people_parting(state: RecordState) -> tuple[str, ...]:
    """Return who of the hub said that a joined pair is to be parted; both who wrote at once."""
    return _people(state, "parted_by")


def _people(state: RecordState, field: str) -> tuple[str, ...]:
    lists = [one for one in _values(state, field) if isinstance(one, list | tuple)]
    if not all(lists):
        # Somebody gave a voice while it was taken back, or begun anew: who agrees, agrees anew.
        return ()
    return tuple(dict.fromkeys(str(who) for some in lists for who in some))


def traits_in(state: RecordState) -> list[tuple[str, str]]:
    """Return each trait that was compared and its level, in words."""
    return read_traits_told(parts_of(shown_value(state.fields.get("score"))).get("traits"))


def per_mille_in(state: RecordState) -> int:
    """Return how likely a proposal is, in whole per mille."""
    found = parts_of(shown_value(state.fields.get("score"))).get("probability_per_mille")
    return found if isinstance(found, int) else 0


def list_findings(store: UnitStore) -> list[Finding]:
    """Return the groups that links would make and that a guard keeps apart.

    Inside a transaction or a reading. Two records of one year of birth that one link joins break no
    guard, and nearly all joins are such: nothing of those is read.
    """
    started = store.links.doubtful_patients()
    reached = set(started)
    met: dict[str, LinkRow] = {}
    while started:
        rows = [one for one in store.links.links_of(started) if one.standing in _DECIDED]
        met.update((one.link, one) for one in rows)
        joined = [one for one in rows if one.standing in TOGETHER]
        started = sorted({name for one in joined for name in (one.one, one.other)} - reached)
        reached.update(started)
    _, findings = _group(store, met.values())
    many = store.links.count_standing([LAPSED])
    lapsed = store.links.links_standing([LAPSED], limit=many)
    return [*findings, *(Finding((row.one, row.other), NO_LONGER_ALIKE) for row in lapsed)]


def group_of(store: UnitStore, patient: str) -> tuple[str, ...]:
    """Return all records of the person whom one record is of, itself among them, sorted.

    Inside a transaction or a reading. It costs what the group costs, not what the hub holds.
    """
    together = [patient]
    met: dict[str, LinkRow] = {}
    # One more than a group may hold is enough to see that it is too large.
    while len(together) <= MOST_IN_GROUP + 1:
        rows = [one for one in store.links.links_of(together) if one.standing in _DECIDED]
        met = {one.link: one for one in rows}
        joined = [one for one in rows if one.standing in TOGETHER]
        reached = {name for one in joined for name in (one.one, one.other)} - {*together}
        if not reached:
            break
        together += sorted(reached)
    groups, _ = _group(store, met.values())
    return next((one for one in groups if patient in one), (patient,))


def _group(
    store: UnitStore, rows: Iterable[LinkRow]
) -> tuple[list[tuple[str, ...]], list[Finding]]:
    # One voice for parting parts nobody.
    standings = [
        Standing(row.one, row.other, JOINED if row.standing == PARTING else row.standing, ())
        for row in rows
    ]
    joined = {name for one in standings if one.state == JOINED for name in (one.one, one.other)}
    return group_patients(standings, _birth_years(store, joined))


def _birth_years(store: UnitStore, patients: Iterable[str]) -> dict[str, str]:
    """Return the years of birth that are known, by patient."""
    held = store.views.states_of(patients)
    years = {name: shown_value(state.fields.get("birth_year")) for name, state in held.items()}
    return {name: str(year) for name, year in years.items() if year}


def _write(
    store: UnitStore, state: RecordState, fields: dict[str, object], because: str, chance: Chance
) -> None:
    over = {name: state.fields[name].references for name in fields if name in state.fields}
    by = registry_device(store)
    write_as_server(store, state.record, fields, by=by, because=because, chance=chance, over=over)


def _first(state: RecordState, field: str) -> str:
    return next((str(one) for one in _values(state, field)), "")


def _values(state: RecordState, field: str) -> list[object]:
    held = state.fields.get(field)
    return [one.value for one in held.values] if held else []
