"""Pictures that records name, by their SHA-256: which go when records are erased."""

from collections.abc import Iterable

from api.storage.picture_files import is_digest
from api.storage.unit_store import UnitStore
from sync.operation import decode_body

_PICTURE = "picture"


def find_pictures(store: UnitStore, records: Iterable[str]) -> set[str]:
    """Return the pictures that records name and no other record does; inside a transaction."""
    records = [one for one in records if one.startswith(f"{_PICTURE}/")]
    if not records:
        return set()
    named = set()
    for operations in store.operations.of_records(records).values():
        named |= _digests_in(operations)
    others = [one.record for one in store.views.of_kind(_PICTURE) if one.record not in records]
    for operations in store.operations.of_records(others).values():
        named -= _digests_in(operations)
    return named


def find_standing_pictures(store: UnitStore) -> set[str]:
    """Return the pictures that any record names; inside a transaction."""
    names = [one.record for one in store.views.of_kind(_PICTURE)]
    found: set[str] = set()
    for operations in store.operations.of_records(names).values():
        found |= _digests_in(operations)
    return found


def _digests_in(operations: Iterable[object]) -> set[str]:
    found = set()
    for operation in operations:
        text = getattr(operation, "body_text", None)
        file = decode_body(text).set.get("file") if text else None
        digest = file.get("sha256") if isinstance(file, dict) else None
        if isinstance(digest, str) and is_digest(digest):
            found.add(digest)
    return found
