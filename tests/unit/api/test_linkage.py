"""Linkage by parts: keys, levels, weights, national numbers, filters, and what people decided."""

import itertools
import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from api.linkage.encoded_traits import BITS, dice, encode_person, encode_text
from api.linkage.fellegi_sunter import (
    Model,
    TraitChances,
    chance_of_pattern,
    learn_model,
    weigh_pattern,
)
from api.linkage.link_graph import LinkAct, Standing, group_records, judge_acts
from api.linkage.name_sounds import fold_text, sound_of
from api.linkage.national_numbers import SCHEMES, WrongNumberError, check_national_number
from api.linkage.network_links import TOO_MANY, group_patients
from api.linkage.pair_finding import compare_sites, find_pairs
from api.linkage.person_traits import Person, blocking_keys, fold_person
from api.linkage.trait_comparison import PLAIN, TRAITS, compare_persons

KEY = b"0123456789abcdef"
ADA = Person(id="a", family_name="Thornquist", given_name="Ada", born_on="1961-03-04", sex="female")


def _levels(one, other):
    found = compare_persons(fold_person(one), fold_person(other))
    return dict(zip((trait.name for trait in TRAITS), found, strict=True))


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("Müller-Lüdenscheidt", "65752682"),
        ("Breschnew", "17863"),
        ("Schmidt", "862"),
        ("Smith", "862"),
        ("Claus", "458"),
        ("Xaver", "4837"),
        ("Hernandez", "076628"),
        ("Ernandes", "076628"),
        ("Ацель", ""),
    ],
)
def test_names_sound_as_on_the_tablet(name, code):
    """The codes of `name-sounds.test.ts`, worked out by hand from Postel 1969."""
    assert sound_of(fold_text(name).replace(" ", "")) == code


def test_names_that_were_swapped_are_compared_crosswise():
    swapped = Person(id="b", family_name="Ada", given_name="Thornqvist", born_on="1961-03-04")

    assert _levels(ADA, swapped) == {
        "order of names": 0,
        "family name": 2,
        "given name": 3,
        "day of birth": 3,
        "sex": None,
        **dict.fromkeys(("national number", "street", "house number", "place", "postcode")),
        "telephone": None,
    }


@pytest.mark.parametrize(
    ("other", "level"),
    [
        ("1961-03-04", 3),
        ("1961-04-03", 2),
        ("1961-03-05", 2),
        ("1962-03-04", 2),
        ("1961-07-19", 1),
        ("1975-03-04", 1),
        ("1975-12-29", 0),
        ("", None),
    ],
)
def test_days_of_birth_by_level(other, level):
    one = Person(id="b", born_on=other)

    assert _levels(ADA, one)["day of birth"] == level
    assert _levels(one, ADA)["day of birth"] == level


@example(
    # An underline beside another sign left two spaces.
    Person(id="x", address="0:_0"),
    Person(id="y"),
)
@given(
    st.builds(
        Person,
        id=st.just("x"),
        family_name=st.text(max_size=8),
        given_name=st.text(max_size=8),
        born_on=st.sampled_from(["", "1961-03-04", "1990-12-31"]),
        address=st.text(max_size=12),
        postcode=st.text(max_size=5),
    ),
    st.builds(
        Person,
        id=st.just("y"),
        family_name=st.text(max_size=8),
        given_name=st.text(max_size=8),
        born_on=st.sampled_from(["", "1961-03-04", "1961-03-05"]),
    ),
)
def test_the_order_of_two_records_makes_no_difference(one, other):
    """Caught, planted: names were called swapped by the first record alone."""
    assert _levels(one, other) == _levels(other, one)
    folded = fold_person(one)
    assert fold_person(folded) == folded
    assert len(set(blocking_keys(folded))) == len(list(blocking_keys(folded)))


def test_a_weight_is_the_logarithm_of_two_chances():
    """Worked by hand: a trait that is the same in 0.9 of one and 0.1 of others adds log2 9."""
    model = Model((TraitChances((0.1, 0.9), (0.9, 0.1)),), 0.5, 1)

    [weight] = weigh_pattern(model, (1,))

    assert weight.bits == pytest.approx(math.log2(9))
    assert chance_of_pattern(model, (1,)) == pytest.approx(0.9)
    assert chance_of_pattern(model, (0,)) == pytest.approx(0.1)
    assert chance_of_pattern(model, (None,)) == pytest.approx(0.5)


def test_chances_that_made_the_pairs_are_learnt_back():
    """Pairs drawn in exact proportion from a known model: what is learnt is that model."""
    same, other, share = (0.9, 0.8, 0.95), (0.1, 0.2, 0.05), 0.3
    patterns = []
    for pattern in itertools.product((0, 1), repeat=3):
        chances = [
            share_of
            * math.prod(p if level else 1 - p for level, p in zip(pattern, ps, strict=True))
            for share_of, ps in ((share, same), (1 - share, other))
        ]
        patterns += [pattern] * round(sum(chances) * 1_000_000)

    model = learn_model(patterns, (2, 2, 2))

    assert model.share == pytest.approx(share, abs=0.005)
    for trait, if_same, if_other in zip(model.traits, same, other, strict=True):
        assert trait.if_same[1] == pytest.approx(if_same, abs=0.005)
        assert trait.if_other[1] == pytest.approx(if_other, abs=0.005)


def test_nothing_is_learnt_from_no_pairs():
    with pytest.raises(ValueError, match="no pair"):
        learn_model([], (2,))


def test_each_proposal_says_why_with_the_weightiest_first():
    persons = [
        Person(
            id=f"p{number}",
            family_name=f"Family{chr(97 + number)}",
            given_name="Ada",
            born_on=f"1950-01-{number + 10}",
        )
        for number in range(12)
    ]
    theirs = [
        fold_person(Person(**{**_fields(one), "id": f"q{place}"}))
        for place, one in enumerate(persons)
    ]
    compared = compare_sites(PLAIN, [fold_person(one) for one in persons], theirs)

    pairs = find_pairs(compared, compared.learn(), least_chance=0.9)

    assert {(pair.one[1:], pair.other[1:]) for pair in pairs} == {
        (str(n), str(n)) for n in range(12)
    }
    bits = [abs(reason.bits) for reason in pairs[0].reasons]
    assert bits == sorted(bits, reverse=True)
    assert ("day of birth", "the same") in {(one.trait, one.level) for one in pairs[0].reasons}


def _fields(person):
    return {name: getattr(person, name) for name in person.__struct_fields__}


@pytest.mark.parametrize(
    ("country", "text", "number"),
    [
        # NHS Data Dictionary's own worked example of the Modulus 11 check digit.
        ("GB", "943 476 5919", "9434765919"),
        # Examples of python-stdnum's documentation.
        ("SE", "880320-0016", "880320-0016"),
        ("NO", "684131 12345", None),
        ("GB", "000 000 0000", None),
        ("GB", "111 111 1111", None),
        ("GB", "999 000 0018", None),
        ("GB", "943 476 5918", None),
        ("XX", "1", None),
    ],
)
def test_a_national_number_is_taken_only_where_it_is_one(country, text, number):
    """[HAZ-42] A stand-in number would join everybody who has it."""
    if number is None:
        with pytest.raises(WrongNumberError, match=r"\. (?:Leave|Compare)"):
            check_national_number(country, text)
    else:
        assert check_national_number(country, text) == number


def test_every_scheme_refuses_words():
    for country in SCHEMES:
        with pytest.raises(WrongNumberError):
            check_national_number(country, "no number")


def test_a_filter_is_alike_for_alike_names_and_tells_no_name_without_the_key():
    one, near = encode_text("Thornquist", KEY), encode_text("Thornqvist", KEY)
    far = encode_text("Okonkwo", KEY)

    assert dice(one, one) == 1
    assert dice(one, near) > 0.75 > 0.3 > dice(one, far)
    assert dice(one, encode_text("Thornquist", KEY[::-1])) < 0.4
    assert dice(one, 0) is None
    assert one.bit_length() <= BITS


def test_what_is_sent_holds_no_name_no_day_and_no_number():
    sent = encode_person(
        Person(**{**_fields(ADA), "national": "9434765919", "phone": "0555 123456"}), KEY
    )

    text = repr(sent).lower()
    for word in ("thornquist", "ada", "1961-03", "9434765919", "0555"):
        assert word not in text
    assert sent.birth_year == "1961"
    with pytest.raises(ValueError, match="at least 16 bytes"):
        encode_person(ADA, b"short")


ACTS = st.lists(
    st.builds(
        LinkAct,
        one=st.sampled_from("abcd"),
        other=st.sampled_from("efgh"),
        act=st.sampled_from(["join", "apart", "take_back"]),
        by=st.sampled_from(["u", "v", "w"]),
        same=st.sampled_from([(), ("born",), ("born", "names")]),
    ),
    max_size=14,
)


@given(ACTS)
def test_nobody_is_joined_by_one_person_on_one_identifier_or_against_a_voice(acts):
    """[HAZ-42] Caught, planted: the same identifier named twice counted as two."""
    latest = {(act.one, act.other, act.by): act for act in acts}
    for (one, other), standing in judge_acts(acts).items():
        voices = [act for (a, b, _), act in latest.items() if (a, b) == (one, other)]
        joins = [act for act in voices if act.act == "join" and len(set(act.same)) >= 2]
        parted = [act for act in voices if act.act == "apart"]
        assert (standing.state == "joined") == (len(joins) >= 2 and not parted)
        assert (standing.state == "apart") == bool(parted)


@given(ACTS)
def test_a_link_taken_back_leaves_what_was_there_before(acts):
    """[HAZ-41]"""
    joined = [
        LinkAct(one="x", other="y", act="join", by=by, same=("born", "names")) for by in ("u", "v")
    ]
    undone = [LinkAct(one="x", other="y", act="take_back", by=by) for by in ("u", "v")]

    with_link = group_records(judge_acts([*acts, *joined]).values())
    after = group_records(judge_acts([*acts, *joined, *undone]).values())

    assert ("x", "y") in with_link
    assert after == group_records(judge_acts(acts).values())


@given(
    st.lists(
        st.tuples(
            st.integers(0, 15), st.integers(0, 15), st.sampled_from(["joined", "apart", "proposed"])
        ).filter(lambda one: one[0] != one[1]),
        max_size=30,
    )
)
def test_groups_are_the_connected_components_of_joins(pairs):
    """[HAZ-42] Against scipy. Caught, planted: a group kept of which two were told apart."""
    names = [f"p{number:02}" for number in range(16)]
    standings = [Standing(names[one], names[other], state, ()) for one, other, state in pairs]
    joins = [(one, other) for one, other, state in pairs if state == "joined"]
    graph = coo_array(
        ([1] * len(joins), tuple(zip(*joins, strict=True)) or ([], [])), shape=(16, 16)
    )
    _, labels = connected_components(graph, directed=False)
    parted = {
        int(labels[one])
        for one, other, state in pairs
        if state == "apart" and labels[one] == labels[other]
    }
    met = {one for pair in joins for one in pair}
    expected = sorted(
        tuple(names[one] for one in sorted(met) if labels[one] == label)
        for label in {int(labels[one]) for one in met} - parted
    )

    assert group_records(standings) == expected


def test_a_chain_of_a_hub_is_grouped_at_once_however_long():
    """Caught: each join of a chain wrote its whole group anew, 21 s of links of three million."""
    names = [f"p{number:06}" for number in range(60_000)]
    standings = [Standing(one, other, "joined", ()) for one, other in itertools.pairwise(names)]

    groups, findings = group_patients(standings, {})

    assert groups == []
    assert [(len(one.records), one.why) for one in findings] == [(60_000, TOO_MANY)]


def test_a_chain_that_leads_to_two_told_apart_groups_nobody():
    acts = [
        LinkAct(one=one, other=other, act="join", by=by, same=("born", "names"))
        for one, other in (("a", "b"), ("b", "c"), ("m", "n"))
        for by in ("u", "v")
    ]
    assert group_records(judge_acts(acts).values()) == [("a", "b", "c"), ("m", "n")]

    acts.append(LinkAct(one="c", other="a", act="apart", by="w"))

    assert group_records(judge_acts(acts).values()) == [("m", "n")]
