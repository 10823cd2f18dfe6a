"""At the hub: finds patients of different units that may be one person, and proposes each pair.

Nothing is joined here. What arrived is noted once in the queue of work; each patient then meets
only the patients who share a key, by an index, so that one more among a million costs little. Pairs
are compared by what units sent without names (`api.linkage.encoded_traits`) and weighed by a file
of weights that comes with the release.
"""

import hashlib
from collections.abc import Callable, Iterable
from functools import cache
from importlib import resources

import msgspec

from api.linkage.encoded_traits import ENCODED, EncodedPerson
from api.linkage.fellegi_sunter import Model, chance_of_pattern
from api.linkage.link_weights import LinkWeights, model_among, per_mille_of, read_link_weights
from api.linkage.network_links import PROPOSED
from api.storage.link_rows import Placed
from api.storage.unit_store import UnitStore
from api.storage.work_queue import Work
from api.use_cases.link_answers import ANSWER_KIND
from api.use_cases.network_units import unit_name
from api.use_cases.registry_log import REGISTRY_STREAM, registry_device
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from api.use_cases.settle_links import find_person, judge_link, settle_link, traits_in
from sync.merge import RecordState, shown_value

PATIENT_WORK, LINK_WORK = "link-patient", "link"
_CURSOR = "links looked up to"
_READ_AT_ONCE = 2_000
# One writer at a time: so many patients are matched before others have their turn.
_MATCHED_AT_ONCE = 50
_LINK_DIGITS = 32
_NATIONAL = [trait.name for trait in ENCODED.traits].index("national number")


class LinkRound(msgspec.Struct, frozen=True):
    """What one round did: records noted, patients matched, pairs proposed, links settled."""

    noted: int
    matched: int
    proposed: int
    settled: int


@cache
def read_packaged_weights() -> LinkWeights:
    """Return the weights that this release carries."""
    file = resources.files("api.linkage") / "data" / "encoded_weights.v1.json"
    return read_link_weights(file.read_bytes(), ENCODED.traits)


def tend_links(store: UnitStore, *, now_ms: int, draw_chance: Callable[[], Chance]) -> LinkRound:
    """Take in what arrived, match every patient that waits, and settle every link.

    Several processes may do so at once: what one has taken, the others pass over.
    """
    noted = matched = proposed = settled = 0
    while (some := note_arrivals(store, now_ms=now_ms)) > 0:
        noted += some
    while works := _take(store, PATIENT_WORK, now_ms):
        with store.transaction():
            for work in works:
                proposed += match_patient(store, work.key, draw_chance=draw_chance)
        _finish(store, works)
        matched += len(works)
    while works := _take(store, LINK_WORK, now_ms):
        with store.transaction():
            for work in works:
                settle_link(store, work.key, draw_chance=draw_chance)
        _finish(store, works)
        settled += len(works)
    return LinkRound(noted, matched, proposed, settled)


def note_arrivals(store: UnitStore, *, now_ms: int) -> int:
    """Put what arrived of the registry since the last time into the queue; return how much."""
    with store.transaction():
        after = int(store.fact(_CURSOR) or 0)
        entries = store.operations.of_stream(REGISTRY_STREAM, after=after, limit=_READ_AT_ONCE)
        if not entries:
            return 0
        records = {
            entry.operation.record: entry.operation.kind for entry in entries if not entry.trouble
        }
        _add_work(store, records, now_ms)
        store.keep_fact(_CURSOR, str(entries[-1].seq))
    return len(entries)


def rebuild_links(store: UnitStore, *, now_ms: int) -> None:
    """Forget every row made for links, and let all of them be made anew from the log."""
    with store.transaction():
        store.links.clear()
        store.keep_fact(_CURSOR, "0")
    while note_arrivals(store, now_ms=now_ms):
        pass


def match_patient(store: UnitStore, patient: str, *, draw_chance: Callable[[], Chance]) -> int:
    """Meet one patient with those of other units; return how many pairs are new.

    Inside a transaction. Every proposal follows what is compared now: nobody agrees, and nothing
    stays joined, on what was corrected since (HAZ-42).
    """
    placed = _place(store, patient)
    known = store.links.links_of([patient])
    if placed is None:
        store.links.forget_person(patient)
        for link in known:
            settle_link(store, link.link, draw_chance=draw_chance)
        return 0
    store.links.keep_person(placed.unit, placed.person)
    weights = read_packaged_weights()
    model = model_among(weights, store.links.others_than(placed.unit))
    others = store.links.sharing_a_key(placed.unit, placed.person)
    met = {one.person.id: one for one in others}
    # Who no longer shares a key is weighed again as well where a proposal stands.
    partners = {link.one if link.other == patient else link.other for link in known}
    met |= {one.person.id: one for one in store.links.find_people(partners - met.keys())}
    drafts: list[ServerDraft] = []
    for other in met.values():
        draft = _draft(store, placed, other, model, weights.review_from_per_mille)
        if draft is not None:
            drafts.append(draft)
    hub = registry_device(store)
    write_all_as_server(store, drafts, by=hub, because="", draw_chance=draw_chance)
    for name in dict.fromkeys((*(one.record for one in drafts), *(one.link for one in known))):
        settle_link(store, name, draw_chance=draw_chance)
    return sum("a" in one.fields for one in drafts)


def name_link(one: str, other: str) -> str:
    """Return the record of the proposal about two patients: the same whoever comes first."""
    pair = "\n".join(sorted((one, other)))
    return f"network_link/{hashlib.sha256(pair.encode()).hexdigest()[:_LINK_DIGITS]}"


def _draft(
    store: UnitStore, placed: Placed, other: Placed, model: Model, least: int
) -> ServerDraft | None:
    """Return what is to be written of a pair, None where nothing is."""
    per_mille, traits = _score(model, placed.person, other.person)
    score = {"probability_per_mille": per_mille, "traits": traits}
    first, second = sorted((placed, other), key=lambda one: one.person.id)
    record = name_link(first.person.id, second.person.id)
    state = store.views.state_of(record)
    if state is None:
        if per_mille < least:
            return None
        units = sorted({first.unit, second.unit})
        fields = {
            "a": first.person.id,
            "b": second.person.id,
            "units": units,
            # A clinician has to know whom to call.
            "unit_names": [unit_name(store, unit) for unit in units],
            "score": score,
            "state": PROPOSED,
            "joined_by": [],
        }
        return ServerDraft(record=record, fields=fields)
    if shown_value(state.fields.get("score")) == score:
        return None
    # A chance that moves because more patients came changes nothing of what was decided.
    is_open = judge_link(store, state).state in ("proposed", "one_voice")
    if not is_open and traits_in(state) == [tuple(one) for one in traits]:
        return None
    over = {"score": state.fields["score"].references} if "score" in state.fields else {}
    return ServerDraft(record=record, fields={"score": score}, over=over)


def _score(model: Model, one: EncodedPerson, other: EncodedPerson) -> tuple[int, list[list[str]]]:
    """Return the chance of a pair in per mille, and each trait that both say, by level in words."""
    pattern = ENCODED.compare(one, other)
    traits = [
        [trait.name, trait.levels[level]]
        for trait, level in zip(ENCODED.traits, pattern, strict=True)
        if level is not None
    ]
    chance = chance_of_pattern(model, pattern)
    return per_mille_of(chance, is_sure=pattern[_NATIONAL] == 1), traits


def _place(store: UnitStore, patient: str) -> Placed | None:
    """Return a patient with the unit whose server wrote it, None without anything to compare."""
    state = store.views.state_of(patient)
    person = find_person(store, patient)
    return None if state is None or person is None else Placed(unit_of(state), person)


def unit_of(state: RecordState) -> str:
    """Return the unit whose server wrote a record: nobody can write in the name of another."""
    return state.heads[0].split(".", 1)[0] if state.heads else ""


def _add_work(store: UnitStore, records: dict[str, str], now_ms: int) -> None:
    def of(kind: str) -> list[str]:
        return [record for record, its_kind in records.items() if its_kind == kind]

    links = dict.fromkeys(of("network_link"))
    for record in of(ANSWER_KIND):
        state = store.views.state_of(record)
        links.update(dict.fromkeys(_proposals_of(state) if state else ()))
    store.work.add(PATIENT_WORK, of("registry_patient"), now_ms=now_ms)
    store.work.add(LINK_WORK, links, now_ms=now_ms)


def _proposals_of(state: RecordState) -> Iterable[str]:
    held = state.fields.get("proposal")
    for one in held.values if held else ():
        if isinstance(one.value, str) and one.value.startswith("network_link/"):
            yield one.value


def _take(store: UnitStore, kind: str, now_ms: int) -> list[Work]:
    with store.transaction():
        return store.work.take(kind, limit=_MATCHED_AT_ONCE, now_ms=now_ms)


def _finish(store: UnitStore, works: list[Work]) -> None:
    with store.transaction():
        store.work.done(works)
