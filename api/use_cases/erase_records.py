"""Erase records for good: their bodies are destroyed, and the chain of the log still verifies.

What stays is that something was recorded, when and on which device: ids, times and commitments,
each made with a salt that is destroyed with its body, so that nobody can guess what it was.
"""

import datetime
from collections.abc import Callable, Iterator, Sequence

import msgspec

from api.storage.access_log import AccessEvent
from api.storage.erasure_list import ListedErasure, add_to_erasure_list, read_erasure_list
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.erased_pictures import find_pictures, find_standing_pictures
from api.use_cases.erasure_decisions import find_decided, list_decided
from api.use_cases.errors import NotAllowedError
from api.use_cases.note_access import note_access
from api.use_cases.plan_erasure import ErasurePlan, plan_erasure
from api.use_cases.record_tree import find_record_tree
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server

# So many names fit the body of one operation (OP7).
NAMES_A_RECORD = 1_000


class Consent(msgspec.Struct, frozen=True, kw_only=True):
    """Why records are erased and the two people who say so, as `staff/<id>`."""

    because: str
    decided_by: str
    agreed_by: str
    also_implants: str = ""


def erase_records(
    store: UnitStore,
    named: Sequence[str],
    consent: Consent,
    *,
    draw_chance: Callable[[], Chance],
) -> ErasurePlan:
    """Erase records and all under them, here and, at their next exchange, on every device.

    Returns
    -------
    ErasurePlan
        What went.

    Raises
    ------
    NotAllowedError
        As `plan_erasure`; no reason, the same person twice, a stranger; or implants are among
        them and nobody said why they may go. Nothing is changed.

    Notes
    -----
    Rules ER1, ER2, ER5, ER7.
    """
    plan = plan_erasure(store, named)
    with store.transaction():
        _refuse_consent(store, consent)
    if plan.implants and not consent.also_implants.strip():
        raise NotAllowedError(
            f"{len(plan.implants)} of these records say what is in a patient, and a recall must "
            "find it. Erase other records alone, or give the reason why these may go too "
            "(--also-implants)."
        )
    listed = tuple(_list_erasures(plan, consent, draw_chance))
    add_to_erasure_list(store.folder, listed)
    carry_out(store, listed, draw_chance)
    return plan


def erase_again(store: UnitStore, *, draw_chance: Callable[[], Chance] | None) -> int:
    """Do what the list of erasures says and the store does not: after a backup, or a cut-off.

    Parameters
    ----------
    draw_chance : callable or None
        None destroys, and leaves it to a later call to write the erasures into the log.

    Returns
    -------
    int
        How many bodies went.

    Notes
    -----
    Rule ER5.
    """
    with store.transaction():
        add_to_erasure_list(store.folder, tuple(list_decided(store)))
    return carry_out(store, read_erasure_list(store.folder), draw_chance)


def finish_erasures(store: UnitStore, *, draw_chance: Callable[[], Chance]) -> int:
    """Finish what an erasure left undone; return how many bodies went, 0 where all was done.

    Rewriting the file takes long: nothing is done to a store in which nothing is left to do.

    Notes
    -----
    Rule ER5.
    """
    with store.transaction():
        is_whole = next(judge_erasures(store), None) is None
    return 0 if is_whole else erase_again(store, draw_chance=draw_chance)


def judge_erasures(store: UnitStore) -> Iterator[str]:
    """Yield a sentence for each erasure that is not whole, or that nobody decided (ER6)."""
    again = "Run crura erase --again."
    erased = store.erasures.listed()
    decided = find_decided(store, set(erased.values()))
    for one in list_decided(store):
        if not erased.keys() >= set(one.of):
            yield f"{one.erasure} was decided and was not done here. {again}"
    for record, erasure in sorted(erased.items()):
        if record not in decided.get(erasure, ()):
            yield (
                f"{record} is marked here as erased by {erasure}, and no decision of the unit says "
                f"so. {again}"
            )
    if bodies := store.erasures.bodies_of(erased):
        yield f"Erased records still have content here ({bodies} entries). {again}"
    if store.erasures.is_unsqueezed():
        yield f"An erasure was cut off before the file was written anew. {again}"
    for one in read_erasure_list(store.folder):
        if any(erased.get(record) != one.erasure for record in one.of if record not in erased):
            yield f"{one.erasure} stands in the list beside the store and was not done. {again}"


def records_under_erased(store: UnitStore) -> list[str]:
    """Return records that came in later under erased ones; inside a transaction."""
    erased = set(store.erasures.listed())
    return [one for one in find_record_tree(store, erased) if one not in erased]


def _refuse_consent(store: UnitStore, consent: Consent) -> None:
    if not consent.because.strip():
        raise NotAllowedError("Say why the records are erased; the reason is kept.")
    if consent.decided_by == consent.agreed_by:
        raise NotAllowedError("Two people decide on an erasure. Name another person who agrees.")
    refuse_stranger(store, consent.decided_by)
    refuse_stranger(store, consent.agreed_by)


def _list_erasures(
    plan: ErasurePlan, consent: Consent, draw_chance: Callable[[], Chance]
) -> Iterator[ListedErasure]:
    because = consent.because.strip()
    if plan.implants:
        because = f"{because} Implants too: {consent.also_implants.strip()}"
    for start in range(0, len(plan.records), NAMES_A_RECORD):
        chance = draw_chance()
        at = datetime.datetime.fromtimestamp(chance.now_ms // 1_000, datetime.UTC)
        yield ListedErasure(
            erasure=f"erasure/{chance.new_id}",
            of=plan.records[start : start + NAMES_A_RECORD],
            pictures=plan.pictures if start == 0 else (),
            because=because,
            decided_by=consent.decided_by,
            agreed_by=consent.agreed_by,
            at=at.isoformat(),
        )


def carry_out(
    store: UnitStore,
    listed: Sequence[ListedErasure],
    draw_chance: Callable[[], Chance] | None,
) -> int:
    """Do what stands in the list of erasures, and return how many bodies went.

    Parameters
    ----------
    draw_chance : callable or None
        None destroys, and leaves it to a later call to write the erasures into the log.
    """
    gone, pictures = 0, {digest for one in listed for digest in one.pictures}
    with store.transaction():
        decided = find_decided(store, {one.erasure for one in listed})
        for one in listed:
            pictures |= find_pictures(store, one.of)
            gone += store.erasures.erase(one.of, one.erasure)
            if draw_chance is not None and one.erasure not in decided:
                _write_down(store, one, draw_chance())
        if listed:
            store.snapshots.clear()
            store.views.refresh({record for one in listed for record in one.of})
            # What the second check said of a plan may speak of what went.
            store.plan_checks.await_check_of_all()
        pictures -= find_standing_pictures(store)
    for digest in sorted(pictures):
        store.pictures.remove(digest)
    if listed:
        store.squeeze_file()
    return gone


def _write_down(store: UnitStore, one: ListedErasure, chance: Chance) -> None:
    fields = {
        "of": list(one.of),
        "because": one.because,
        "decided_by": one.decided_by,
        "agreed_by": one.agreed_by,
        "at": one.at,
    }
    write_all_as_server(
        store,
        [ServerDraft(record=one.erasure, fields=fields)],
        by=one.decided_by,
        because=one.because,
        draw_chance=lambda: chance,
    )
    note_access(
        store,
        AccessEvent(
            at_ms=chance.now_ms,
            # At a hub a unit speaks for its people (ER7).
            asker="person" if one.decided_by.startswith("staff/") else "device",
            who=one.decided_by,
            verb="erase",
            object="records",
            records=one.of,
            why=f"{one.because} Agreed by {one.agreed_by}.",
        ),
    )
