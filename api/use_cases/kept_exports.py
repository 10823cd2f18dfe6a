"""Exports as a hub keeps them: asked for, decided, and what was made."""

from collections.abc import Iterator
from typing import Literal

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_history import fold_project

State = Literal["asked", "refused", "made", "failed"]


class MadeFile(msgspec.Struct, frozen=True):
    """One file of an export."""

    name: str
    bytes: int
    sha256: str


class MadeSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What was made: rows of all tables, patients held back, and the files.

    ``missing`` of so many ``fields`` are empty; None of an export of a release that did not count.
    """

    made_ms: int
    rows: int
    held_back: int
    missing: int
    fields: int | None = None
    k: int
    generalised_to: str
    caution: str
    files: list[MadeFile]


class KeptExport(msgspec.Struct, frozen=True, kw_only=True):
    """One export as the hub keeps it; people by ``staff/<id>``."""

    export: str
    project: str
    purpose: str
    from_on: str
    until_on: str
    asked_by: str
    asked_ms: int
    state: State = "asked"
    decided_by: str = ""
    decided_ms: int | None = None
    because: str = ""
    manifest: MadeSummary | None = None


def kept_exports(store: UnitStore) -> list[KeptExport]:
    """Return every export, the latest first; inside a transaction."""
    return [msgspec.json.decode(one, type=KeptExport) for one in store.exports.listed()]


def find_export(store: UnitStore, export: str) -> KeptExport:
    """Return an export; inside a transaction.

    Raises
    ------
    NotAllowedError
        There is none of this id.
    """
    content = store.exports.find(export)
    if content is None:
        raise NotAllowedError(f"There is no export {export[:60]!r}. Look at the list again.")
    return msgspec.json.decode(content, type=KeptExport)


def keep_export(store: UnitStore, kept: KeptExport) -> None:
    """Keep an export as it stands now; inside a transaction."""
    content = msgspec.json.encode(kept).decode()
    store.exports.keep(kept.export, content, asked_ms=kept.asked_ms)


def archives_of(store: UnitStore, project: str) -> Iterator[bytes]:
    """Yield the files of every export that a project was handed, the latest first.

    Inside a transaction.
    """
    for kept in kept_exports(store):
        is_same = fold_project(kept.project) == fold_project(project)
        archive = store.exports.archive(kept.export) if is_same else None
        if archive is not None and kept.state == "made":
            yield archive
