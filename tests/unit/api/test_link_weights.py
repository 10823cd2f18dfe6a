"""Weights of the encoded linker: read from their file, and what their chances come to."""

import math

import msgspec
import pytest

from api.linkage.encoded_traits import ENCODED, encode_person
from api.linkage.fellegi_sunter import chance_of_pattern
from api.linkage.link_weights import (
    LinkWeightsError,
    model_among,
    per_mille_of,
    read_link_weights,
)
from api.linkage.person_traits import Person
from api.linkage.sent_traits import read_traits, write_traits
from api.use_cases.link_patients import read_packaged_weights

ADA = Person(id="a", family_name="Thornquist", given_name="Ada", born_on="1961-03-04", sex="female")
KEY = b"0123456789abcdef"


def _changed(**changes):
    return msgspec.json.encode({**msgspec.to_builtins(read_packaged_weights()), **changes})


def test_a_file_of_other_traits_or_of_chances_that_do_not_add_up_is_refused():
    """Caught, planted: the sum was checked for pairs of one person alone."""
    traits = msgspec.to_builtins(read_packaged_weights().traits)
    broken = [{**traits[0], "if_other": (0.9, 0.05, 0.05, 0.1)}, *traits[1:]]

    for content, words in (
        (b"{}", "cannot be read"),
        (_changed(traits=traits[1:]), "other traits"),
        (_changed(traits=broken), "names do not fit"),
        (_changed(elsewhere_per_mille=0), "Between 1 and 999"),
        (_changed(fewest_others=0), "At least one"),
    ):
        with pytest.raises(LinkWeightsError, match=words):
            read_link_weights(content, ENCODED.traits)


def test_the_more_others_there_are_the_more_must_speak_for_a_pair():
    """Derived: with n others and one in ten held elsewhere, the share of a pair is 0.1 / n."""
    weights = read_packaged_weights()
    pattern = (2, 2, 1, None)
    chances = [chance_of_pattern(model_among(weights, n), pattern) for n in (10**4, 10**5, 10**6)]

    assert chances == sorted(chances, reverse=True)
    bits = sum(
        math.log2(one.if_same[level] / one.if_other[level])
        for one, level in zip(weights.traits, pattern, strict=True)
        if level is not None
    )
    few = [chance_of_pattern(model_among(weights, n), pattern) for n in (0, 1, 5_000)]
    assert few == [few[0]] * 3
    odds = (0.1 / 10**6) / (1 - 0.1 / 10**6) * 2**bits
    assert chances[2] == pytest.approx(odds / (1 + odds))


def test_only_the_same_national_number_is_rated_highest():
    assert [per_mille_of(one, is_sure=False) for one in (0.0, 0.4999, 0.99999, 1.0)] == [
        0,
        499,
        999,
        999,
    ]
    assert per_mille_of(0.2, is_sure=True) == 1_000


def test_traits_are_read_back_as_they_were_sent_and_nothing_else_is_believed():
    sent = encode_person(ADA, KEY)
    assert read_traits("a", write_traits(sent)) == sent

    assert read_traits("a", None) is None
    assert read_traits("a", {"names": "ff"}) is None
    odd = {"keys": ["k" * 64, "k" * 65, 7, ""], "names": "not hex", "born": 3, "sex": ["x"]}
    read = read_traits("a", odd)
    assert (read.keys, read.names, read.born, read.sex) == (("k" * 64,), 0, "", "")
    assert read_traits("a", {**odd, "names": "f" * 257}).names == 0
    assert read_traits("a", {**odd, "names": "0x_1"}).names == 0
