"""Everything under a record, also what hangs there no more because it was struck."""

from collections.abc import Iterable, Mapping

from api.storage.unit_store import UnitStore
from sync.operation import decode_body


def find_record_tree(
    store: UnitStore, named: Iterable[str], aside: Mapping[str, set[str]] | None = None
) -> list[str]:
    """Return records and all under them, sorted; inside a transaction.

    A record that stands is under the parent that it shows, whatever it named before; one of which
    two people say different parents is under neither. A struck one is under each that it named.
    What no log holds takes with it nothing that a log holds: anybody can write it.

    Parameters
    ----------
    aside : mapping or None
        Records of texts that are in no log, and what each names as its parent.
    """
    wanted = list(named)
    loose: dict[str, set[str]] = {}
    for record in store.erasures.without_parent():
        if parents := _struck_parents(store, record):
            loose[record] = parents
    tree = set(store.erasures.tree_of(wanted))
    while True:
        more = {one for one, parents in loose.items() if parents & tree} - tree
        if not more:
            break
        tree |= {*more, *store.erasures.tree_of(more)}
    texts = _without_entries(store, aside or {})
    tree |= {one for one in wanted if one in texts}
    while more := {one for one, parents in texts.items() if parents & tree} - tree:
        tree |= more
    return sorted(tree)


def find_doubtful(
    store: UnitStore, tree: Iterable[str], aside: Mapping[str, set[str]] | None = None
) -> list[str]:
    """Return records that are in no tree and yet may belong there, sorted; inside a transaction.

    Of one of these people say different parents, one of them in the tree; or only a text that is
    in no log says that it, or what it lies under, belongs there. People decide.

    Parameters
    ----------
    tree : iterable of str
        Records as `find_record_tree` returns them.
    aside : mapping or None
        As there.
    """
    inside, aside = set(tree), aside or {}
    found = {one for one, parents in aside.items() if parents & inside}
    found |= set(store.erasures.tree_of(_without_entries(store, aside).keys() & inside))
    for record in store.erasures.without_parent():
        if _answers(store, record) & inside:
            found.add(record)
    return sorted(found - inside)


def _without_entries(store: UnitStore, aside: Mapping[str, set[str]]) -> dict[str, set[str]]:
    """Return those of texts that are in no log of whose record no log holds anything."""
    held = store.operations.of_records(aside.keys())
    return {record: set(parents) for record, parents in aside.items() if not held.get(record)}


def _answers(store: UnitStore, record: str) -> set[str]:
    """Return the parents that people say of a record, while they say different ones."""
    known = store.catalogue.kinds.get(record.split("/", 1)[0])
    state = store.views.state_of(record) if known and known.parent else None
    field = state.fields.get(known.parent) if state and known and known.parent else None
    if field is None or not field.is_conflict:
        return set()
    return {held.value for held in field.values if isinstance(held.value, str)}


def _struck_parents(store: UnitStore, record: str) -> set[str]:
    """Return every parent that a struck record ever named, none for one that stands."""
    known = store.catalogue.kinds.get(record.split("/", 1)[0])
    if known is None or known.parent is None:
        return set()
    state = store.views.state_of(record)
    if state is None or not state.is_entered_in_error:
        return set()
    named = (
        decode_body(one.body_text).set.get(known.parent)
        for one in store.operations.of_record(record)
        if one.body_text is not None
    )
    return {one for one in named if isinstance(one, str)}
