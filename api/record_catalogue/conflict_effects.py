"""What an open conflict holds back, by record kind and field, as data beside the catalogue."""

from collections.abc import Mapping
from typing import Literal

import msgspec

from api.record_catalogue.catalogue import Catalogue, CatalogueError

Effect = Literal["identity", "plan", "counts", "letter", "booking"]


class _Kind(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    otherwise: tuple[Effect, ...]
    fields: Mapping[str, tuple[Effect, ...]] = {}


class ConflictEffects(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The table of effects; ``effects`` lists every word in the order in which it is told."""

    effects: tuple[Effect, ...]
    kinds: Mapping[str, _Kind]

    def of(self, kind: str, field: str) -> tuple[Effect, ...]:
        """Return what a conflict in a field holds back (CF3).

        A kind of a newer version holds everything back: what it means is not known here.
        """
        known = self.kinds.get(kind)
        if known is None:
            return self.effects
        return known.fields.get(field, known.otherwise)


def read_conflict_effects(content: bytes, catalogue: Catalogue) -> ConflictEffects:
    """Return the table that the bytes of `conflict_effects.json` hold.

    Raises
    ------
    CatalogueError
        Unknown keys or effects, a kind or field that the catalogue does not have, or a kind
        that a person may have to settle and the table leaves out.
    """
    try:
        table = msgspec.json.decode(content, type=ConflictEffects)
    except msgspec.MsgspecError as error:
        message = f"conflict_effects.json cannot be read ({error}). Correct it there."
        raise CatalogueError(message) from error
    for name, kind in table.kinds.items():
        strange = set(kind.fields) - set(catalogue.policies_of(name))
        if strange or name not in catalogue.kinds:
            message = f"conflict_effects.json names {name} {sorted(strange)}, not in the catalogue."
            raise CatalogueError(message)
    for name, policies in catalogue.policies.items():
        asked = any(policy.merge == "ask_a_person" for policy in policies.values())
        if asked and name not in table.kinds:
            message = f"conflict_effects.json leaves {name} out. Say what its conflicts hold back."
            raise CatalogueError(message)
    return table
