"""What a kind of record needs to be linked: its traits in words, its keys, and how it compares."""

from collections.abc import Callable, Iterable
from typing import Generic, TypeVar

import msgspec

from api.linkage.fellegi_sunter import Pattern

T = TypeVar("T")


class TraitWords(msgspec.Struct, frozen=True):
    """What is compared, and its levels in words, from unlike to the same."""

    name: str
    levels: tuple[str, ...]


class Linker(msgspec.Struct, Generic[T], frozen=True, kw_only=True):
    """How records of one kind are brought together and compared.

    Parameters
    ----------
    keys_of : callable
        Two records with no key in common are never compared.
    compare : callable
        Level of each trait of a pair, None where either record does not say.
    """

    traits: tuple[TraitWords, ...]
    name_of: Callable[[T], str]
    keys_of: Callable[[T], Iterable[tuple[str, ...]]]
    compare: Callable[[T, T], Pattern]
