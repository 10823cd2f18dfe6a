"""Why a pair is as likely as it is: what each compared field adds to the score, and the thresholds.

A chance alone cannot be judged by whoever has to decide. Here it is taken apart into the weights of
Fellegi and Sunter (`api.linkage.fellegi_sunter`): one for what is to be expected before anything is
compared, one for each field that both records tell. Told in whole tenths of a bit, so that what
stands on a screen adds up there: 10 is one doubling of the odds.
"""

import math
from collections.abc import Sequence

import msgspec

from api.linkage.fellegi_sunter import Model
from api.linkage.link_graph import FEWEST_SAME
from api.linkage.link_weights import LinkWeights, model_among, per_mille_of
from api.linkage.linker import TraitWords
from api.linkage.network_links import agreeing_identifiers

_TENTHS = 10
_A_WHOLE = 1_000
_SURE = ("national number", "the same")


class FieldWeight(msgspec.Struct, frozen=True):
    """A compared field, how alike it is in words, and what that adds.

    ``tenths`` above 0 speaks for one person, below against. It is None where this release's weights
    know no such field or level.
    """

    trait: str
    level: str
    tenths: int | None


class Weighing(msgspec.Struct, frozen=True, kw_only=True):
    """A score taken apart.

    Parameters
    ----------
    weights, version : str, int
        The file of weights.
    others : int
        Among how many patients of other units the one was looked for.
    elsewhere_per_mille : int
        How many of 1,000 patients are expected to be held by another unit too.
    start_tenths : int
        What speaks against a pair before anything is compared: most pairs are two persons.
    sum_tenths, per_mille : int or None
        The start and all fields together, and the chance that follows; None where one is not
        weighed.
    is_sure : bool
        The national numbers are the same, which is rated highest whatever the sum.
    shown_from_tenths, shown_from_per_mille : int
        From which sum, and which chance, on a pair is shown to people at all.
    identifiers, identifiers_needed : tuple of str, int
        Which identifiers agree, and how many have to so that anybody may join the two.
    """

    weights: str
    version: int
    others: int
    elsewhere_per_mille: int
    start_tenths: int
    fields: tuple[FieldWeight, ...]
    sum_tenths: int | None
    per_mille: int | None
    is_sure: bool
    shown_from_tenths: int
    shown_from_per_mille: int
    identifiers: tuple[str, ...]
    identifiers_needed: int


def weigh_told(
    weights: LinkWeights,
    traits: Sequence[TraitWords],
    told: Sequence[tuple[str, str]],
    *,
    others: int,
) -> Weighing:
    """Take the score of a pair apart.

    Parameters
    ----------
    traits : sequence of TraitWords
        Of the linker that the weights are of.
    told : sequence of (trait, level)
        What was compared, in words; a field that either record does not tell stands in none.
    others : int
        How many patients of other units can be compared.
    """
    model = model_among(weights, others)
    start = math.log2(model.share / (1 - model.share))
    bits = [_bits_of(model, traits, trait, level) for trait, level in told]
    known = [one for one in bits if one is not None]
    fields = tuple(
        FieldWeight(trait, level, None if one is None else _tenths(one))
        for (trait, level), one in zip(told, bits, strict=True)
    )
    is_sure = _SURE in [*map(tuple, told)]
    is_whole = len(known) == len(bits)
    least = weights.review_from_per_mille / _A_WHOLE
    return Weighing(
        weights=weights.name,
        version=weights.version,
        others=max(others, weights.fewest_others),
        elsewhere_per_mille=weights.elsewhere_per_mille,
        start_tenths=_tenths(start),
        fields=fields,
        sum_tenths=(_tenths(start) + sum(one.tenths or 0 for one in fields) if is_whole else None),
        per_mille=(
            per_mille_of(1 / (1 + 2 ** -(start + math.fsum(known))), is_sure=is_sure)
            if is_whole
            else None
        ),
        is_sure=is_sure,
        shown_from_tenths=_tenths(math.log2(least / (1 - least))),
        shown_from_per_mille=weights.review_from_per_mille,
        identifiers=tuple(dict.fromkeys(agreeing_identifiers(told))),
        identifiers_needed=FEWEST_SAME,
    )


def _bits_of(model: Model, traits: Sequence[TraitWords], trait: str, level: str) -> float | None:
    for words, chances in zip(traits, model.traits, strict=True):
        if words.name == trait and level in words.levels:
            place = words.levels.index(level)
            return math.log2(chances.if_same[place] / chances.if_other[place])
    return None


def _tenths(bits: float) -> int:
    """Return whole tenths, halves away from zero."""
    return int(math.copysign(math.floor(abs(bits) * _TENTHS + 0.5), bits))
