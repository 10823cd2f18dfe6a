"""Patients of one unit that may be one person entered twice, with what speaks for it (DM-05).

Compared by plain identifiers, which never leave the unit. Nothing is joined: a person looks.
"""

from collections.abc import Iterable
from functools import cache
from importlib import resources

from api.linkage.link_weights import LinkWeights, model_among, per_mille_of, read_link_weights
from api.linkage.pair_finding import compare_within, find_pairs
from api.linkage.person_traits import Person, fold_person
from api.linkage.trait_comparison import PLAIN
from api.quality.unit_records import Likeness
from api.use_cases.record_values import text_of
from sync.merge import RecordState

_A_WHOLE = 1_000


@cache
def read_plain_weights() -> LinkWeights:
    """Return the weights that this release carries."""
    file = resources.files("api.linkage") / "data" / "plain_weights.v1.json"
    return read_link_weights(file.read_bytes(), PLAIN.traits)


def find_alike_patients(patients: Iterable[RecordState]) -> dict[tuple[str, str], Likeness]:
    """Return the pairs that are likely enough to be looked at, each sorted, and how alike they are.

    Records entered in error are left out, and what stands with two answers counts for nothing.
    """
    persons = [_person(one) for one in patients if not one.is_entered_in_error]
    weights = read_plain_weights()
    model = model_among(weights, len(persons) - 1)
    pairs = find_pairs(
        compare_within(PLAIN, persons),
        model,
        least_chance=weights.review_from_per_mille / _A_WHOLE,
    )
    place = {trait.name: number for number, trait in enumerate(PLAIN.traits)}
    return {
        (pair.one, pair.other): Likeness(
            per_mille=per_mille_of(pair.chance, is_sure=False),
            traits=tuple(
                (one.trait, one.level)
                for one in sorted(pair.reasons, key=lambda reason: place[reason.trait])
            ),
        )
        for pair in pairs
    }


def _person(patient: RecordState) -> Person:
    return fold_person(
        Person(
            id=patient.record,
            family_name=text_of(patient, "family_name"),
            given_name=text_of(patient, "given_name"),
            born_on=text_of(patient, "born_on"),
            sex=text_of(patient, "sex"),
        )
    )
