"""How much each trait of an encoded record weighs: read from a data file, the same for everybody.

Weights are learnt once, beforehand, and kept in a file with where they came from and a version, not
learnt at each hub from what it holds: so the same two records have the same reasons today and next
year, on every process, and a small hub is no worse than a large one. Pairs that were learnt from
are drawn at random and not by a shared key, since those that share one are alike before anything
is compared.
"""

import msgspec

from api.linkage.fellegi_sunter import Model, TraitChances
from api.linkage.linker import TraitWords

SURELY = 1_000
_A_WHOLE = 1_000
_TOLERANCE = 1e-6


class LinkWeightsError(Exception):
    """The file of weights contradicts itself or the linker; the text says what to correct."""


class TraitWeights(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How often each level comes up, from unlike to the same; adds up to 1."""

    trait: str
    if_same: tuple[float, ...]
    if_other: tuple[float, ...]
    source: str
    basis: str


class LinkWeights(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The weights of one linker.

    Parameters
    ----------
    elsewhere_per_mille : int
        How many of 1,000 patients are expected to be held by another unit as well, once all units
        of the network have joined.
    fewest_others : int
        So many patients of other units are reckoned with where fewer have been sent yet: a network
        that begins has no more right pairs among as many wrong ones.
    review_from_per_mille : int
        Chance from which on a pair is shown to people; below, nothing comes of it.
    """

    name: str
    version: int
    learnt_from: str
    made_by: str
    elsewhere_per_mille: int
    fewest_others: int
    review_from_per_mille: int
    basis: str
    traits: tuple[TraitWeights, ...]


def read_link_weights(content: bytes, traits: tuple[TraitWords, ...]) -> LinkWeights:
    """Return the weights that the bytes of a file hold.

    Raises
    ------
    LinkWeightsError
        It cannot be read, is of other traits or levels, or chances do not add up to 1.
    """
    try:
        weights = msgspec.json.decode(content, type=LinkWeights)
    except msgspec.MsgspecError as error:
        message = f"The weights of the linker cannot be read ({error}). Install Crura anew."
        raise LinkWeightsError(message) from error
    if [one.trait for one in weights.traits] != [trait.name for trait in traits]:
        raise LinkWeightsError("The weights are of other traits. Learn them anew.")
    for one, trait in zip(weights.traits, traits, strict=True):
        for chances in (one.if_same, one.if_other):
            is_whole = abs(sum(chances) - 1) <= _TOLERANCE and min(chances, default=0) > 0
            if len(chances) != len(trait.levels) or not is_whole:
                raise LinkWeightsError(f"Chances of {one.trait} do not fit. Learn them anew.")
    if weights.fewest_others < 1:
        raise LinkWeightsError("At least one patient of other units is reckoned with.")
    if not (0 < weights.elsewhere_per_mille < _A_WHOLE):
        raise LinkWeightsError("Between 1 and 999 of 1,000 patients are held elsewhere.")
    return weights


def model_among(weights: LinkWeights, others: int) -> Model:
    """Return the model for comparing one patient with so many of other units.

    Of all pairs that one patient makes with them, at most one is the same person: the more
    others there are, the more must speak for a pair.
    """
    share = weights.elsewhere_per_mille / _A_WHOLE / max(others, weights.fewest_others)
    traits = tuple(TraitChances(one.if_same, one.if_other) for one in weights.traits)
    return Model(traits, share, 0)


def per_mille_of(chance: float, *, is_sure: bool) -> int:
    """Return a chance in whole per mille; the highest is for the same national number alone."""
    return SURELY if is_sure else min(int(chance * SURELY), SURELY - 1)
