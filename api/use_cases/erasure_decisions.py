"""Erasures that the unit server's own log says were decided; another's count for nothing."""

from collections.abc import Collection, Iterator

from api.storage.erasure_list import ListedErasure
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE
from sync.operation import decode_body

_ERASURE = "erasure"
_SAID = ("because", "decided_by", "agreed_by", "at")


def find_decided(store: UnitStore, erasures: Collection[str]) -> dict[str, set[str]]:
    """Return what the unit server's own decisions name, by erasure; another's count for nothing."""
    decided: dict[str, set[str]] = {}
    for erasure, operations in store.operations.of_records(erasures).items():
        for operation in operations:
            if operation.device == SERVER_DEVICE and operation.body_text is not None:
                named = decode_body(operation.body_text).set.get("of")
                names = [one for one in named if isinstance(one, str)] if named else []
                decided.setdefault(erasure, set()).update(names)
    return decided


def list_decided(store: UnitStore) -> Iterator[ListedErasure]:
    """Yield the erasures that the unit server's own log holds, as they stand in the list."""
    names = [state.record for state in store.views.of_kind(_ERASURE)]
    for erasure, operations in sorted(store.operations.of_records(names).items()):
        for operation in operations:
            if operation.device != SERVER_DEVICE or operation.body_text is None:
                continue
            said = decode_body(operation.body_text).set
            yield ListedErasure(
                erasure=erasure,
                of=tuple(one for one in said.get("of") or () if isinstance(one, str)),
                pictures=(),
                **{name: str(said.get(name) or "") for name in _SAID},
            )
            break
