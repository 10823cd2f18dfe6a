"""The record catalogue: every record kind and field, read into frozen structs.

The one joint between clinic and sync: it names fields and merge policies; `sync.merge`
receives the policies as an argument. Content comes in as bytes; no file is opened here.
"""

from collections.abc import Mapping

import msgspec

from sync.merge_policies import FieldPolicy, MergePolicy

# The stream between a unit and the hub; no tablet and no desk of a unit has it.
REGISTRY = "registry"


class CatalogueError(Exception):
    """The catalogue contradicts itself; the text names the kind and field to correct."""


class Field(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One field: its type, allowed values, unit and merge policy."""

    id: str
    type: str
    merge: MergePolicy
    since: int
    unit: str = ""
    values: tuple[str, ...] = ()
    rank: tuple[str, ...] = ()
    fields: tuple[dict[str, object], ...] = ()
    retired: bool = False


class Kind(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One record kind: the stream it travels in and the field that names its parent."""

    id: str
    meaning: str
    stream: str
    since: int
    fields: tuple[Field, ...]
    parent: str | None = None
    retired: bool = False


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    version: int
    kinds: tuple[Kind, ...]


class Catalogue(msgspec.Struct, frozen=True):
    """All kinds by id, and the policies of each kind's fields."""

    version: int
    kinds: Mapping[str, Kind]
    policies: Mapping[str, Mapping[str, FieldPolicy]]

    def stream_of(self, kind: str) -> str | None:
        """Return the stream a kind travels in, None for a kind of a newer version."""
        known = self.kinds.get(kind)
        return known.stream if known else None

    def policies_of(self, kind: str) -> Mapping[str, FieldPolicy]:
        """Return the policy table that `sync.merge.merge_record` takes."""
        return self.policies.get(kind, {})


def read_catalogue(content: bytes) -> Catalogue:
    """Return the catalogue that the bytes of `catalogue.json` hold.

    Raises
    ------
    CatalogueError
        Unknown keys, doubled ids, a parent that is no field, or a rank where it does not belong.
    """
    try:
        file = msgspec.json.decode(content, type=_File)
    except msgspec.MsgspecError as error:
        message = f"catalogue.json cannot be read ({error}). Correct it there."
        raise CatalogueError(message) from error
    kinds: dict[str, Kind] = {}
    for kind in file.kinds:
        names = [field.id for field in kind.fields]
        if kind.id in kinds or len(set(names)) != len(names):
            message = f"Kind {kind.id} or one of its fields stands twice. Remove one."
            raise CatalogueError(message)
        if kind.parent is not None and kind.parent not in names:
            message = f"Kind {kind.id} has no field {kind.parent} for its parent. Add it."
            raise CatalogueError(message)
        for field in kind.fields:
            if (field.merge is MergePolicy.FURTHEST) != bool(field.rank):
                message = f"{kind.id}.{field.id}: a rank goes with `furthest` alone. Correct it."
                raise CatalogueError(message)
        kinds[kind.id] = kind
    return Catalogue(
        version=file.version,
        kinds=kinds,
        policies={
            kind.id: {field.id: FieldPolicy(field.merge, field.rank) for field in kind.fields}
            for kind in kinds.values()
        },
    )
