"""Who counts as one person, whatever was joined, parted and answered, in any order.

A model that knows only the definition stands beside: two voices, one of them of the hub, two
identifiers, nobody against it, both units for it where the national numbers are two, two people to
part what is joined, one year of birth, few records.
"""

from collections import defaultdict

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from api.linkage.network_links import (
    JOINED,
    MOST_IN_GROUP,
    NOT_SAME,
    PARTED,
    PROPOSED,
    SAME,
    LinkVoices,
    agreeing_identifiers,
    group_patients,
    judge_voices,
)

RECORDS = [f"registry_patient/{letter}" for letter in "abcdefghij"]
PEOPLE = ("staff/u", "staff/v", "staff/w")
IDENTIFIERS = ("names", "day of birth", "national number")


# Most pairs are joined or nearly so: what goes wrong goes wrong among those.
STATES = st.sampled_from(((PROPOSED,), (JOINED,), (JOINED,), (JOINED, PARTED), (PARTED,)))
WHO = st.sampled_from(((), PEOPLE[:1], PEOPLE[:2], PEOPLE[1:], PEOPLE[:1] * 2))
SAID = st.sampled_from(((), (SAME,), (SAME,), ("cannot-tell",), (NOT_SAME,), (SAME, NOT_SAME)))
IDENTIFIED = st.sampled_from(
    ((), IDENTIFIERS[:1], IDENTIFIERS[:2], IDENTIFIERS, IDENTIFIERS[:1] * 2)
)


@st.composite
def voices(draw, records=RECORDS):
    pair = draw(st.lists(st.sampled_from(records), min_size=2, max_size=2, unique=True))
    return LinkVoices(
        one=min(pair),
        other=max(pair),
        states=draw(STATES),
        people=draw(WHO),
        answers={unit: draw(SAID) for unit in ("unit-a", "unit-b")},
        same=draw(IDENTIFIED),
        is_number_unlike=draw(st.sampled_from((False, False, True))),
        parting=draw(WHO),
    )


@st.composite
def told(draw, records):
    """Return a pair that is joined, told apart or merely proposed, by one way of saying so."""
    said = draw(voices(records))
    how = draw(st.sampled_from(("joined", "joined", "apart", "as drawn")))
    if how == "as drawn":
        return said
    answers = {} if how == "joined" else {"unit-a": (NOT_SAME,)}
    return LinkVoices(
        one=said.one,
        other=said.other,
        states=(JOINED,),
        people=PEOPLE[:2],
        answers=answers,
        same=IDENTIFIERS[:2],
    )


PAIRS = st.integers(4, 10).flatmap(
    lambda count: st.lists(
        told(RECORDS[:count]), max_size=14, unique_by=lambda said: (said.one, said.other)
    )
)
YEARS = st.dictionaries(st.sampled_from(RECORDS), st.sampled_from(("", "1957", "1957", "1961")))


def _is_joined(said):
    answers = [answer for some in said.answers.values() for answer in some]
    people = len(set(said.people))
    both = all(tuple(some) == (SAME,) for some in said.answers.values()) and len(said.answers) == 2
    return (
        (both or not said.is_number_unlike)
        and people >= 1
        and people + (SAME in answers) >= 2
        and len(set(said.same)) >= 2
        and NOT_SAME not in answers
        and not _are_parted(said)
    )


def _are_parted(said):
    two = len(set(said.parting)) >= 2
    return PARTED in said.states or (two and JOINED in said.states)


def _is_apart(said):
    return _are_parted(said) or any(NOT_SAME in some for some in said.answers.values())


@settings(max_examples=400)
@given(voices())
def test_a_pair_is_joined_by_two_voices_and_against_nobody(said):
    """[HAZ-42] [NL2] Caught, planted: the answers of two units counted as two voices.

    Caught, planted: one unit was enough where the national numbers are two.
    """
    state = judge_voices(said).state

    assert (state == "joined") == _is_joined(said)
    assert (state == "apart") == _is_apart(said)


@settings(max_examples=300)
@given(
    PAIRS,
    st.one_of(st.just({}), YEARS),
)
def test_groups_are_chains_of_joins_that_no_guard_keeps_apart(pairs, years):
    """[HAZ-41] [HAZ-42] [NL4] Caught, planted: who is apart was looked for at the ends alone."""
    groups, findings = group_patients([judge_voices(said) for said in pairs], years)

    reached = _chains(pairs)
    assert sorted((*groups, *(one.records for one in findings))) == sorted(
        {records for records in reached.values() if len(records) > 1}
    )
    for records in groups:
        assert len(records) <= MOST_IN_GROUP
        assert len({years.get(one, "") for one in records} - {""}) <= 1
        assert not any(
            _is_apart(said) and said.one in records and said.other in records for said in pairs
        )
    for one in findings:
        many = len(one.records) > MOST_IN_GROUP
        born = len({years.get(name, "") for name in one.records} - {""}) > 1
        apart = any(
            _is_apart(said) and said.one in one.records and said.other in one.records
            for said in pairs
        )
        assert {"told-apart": apart, "two-birth-years": born, "too-many": many}[one.why]


@given(
    PAIRS,
    st.data(),
)
def test_parting_one_pair_leaves_every_other_join_as_it_was(pairs, data):
    """[HAZ-41] [NL3] What was joined without it stays; the two that were parted are in no group."""
    before, _ = group_patients([judge_voices(said) for said in pairs], {})
    if not pairs:
        return
    place = data.draw(st.integers(0, len(pairs) - 1))
    parted = pairs[place]
    after_pairs = [
        structs.replace(said, states=(PARTED,), people=()) if said is parted else said
        for said in pairs
    ]

    after, _ = group_patients([judge_voices(said) for said in after_pairs], {})

    assert not any(parted.one in records and parted.other in records for records in after)
    untouched = [one for one in before if not {parted.one, parted.other} & set(one)]
    assert [one for one in after if one in untouched] == untouched


def _chains(pairs):
    """Return for each record everybody whom chains of joins reach from it, sorted."""
    near = defaultdict(set)
    for said in pairs:
        if _is_joined(said):
            near[said.one].add(said.other)
            near[said.other].add(said.one)
    found = {}
    for start in near:
        seen, waiting = {start}, [start]
        while waiting:
            for other in near[waiting.pop()] - seen:
                seen.add(other)
                waiting.append(other)
        found[start] = tuple(sorted(seen))
    return found


def test_only_names_birth_day_and_national_number_identify():
    """[HAZ-42] Sex, or names that are merely near, are no identifier."""
    told = [("names", "near"), ("day of birth", "the same year"), ("sex", "the same")]
    assert agreeing_identifiers(told) == ()
    told = [("names", "alike"), ("day of birth", "the same"), ("national number", "the same")]
    assert agreeing_identifiers(told) == IDENTIFIERS
