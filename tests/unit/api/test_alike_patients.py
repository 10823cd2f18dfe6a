"""A patient entered twice in one unit is proposed with a score, and nobody is joined."""

import pytest

from api.storage.unit_store import open_unit_store
from api.use_cases.report_quality import report_quality
from tests.oracles.learn_link_weights import DATA
from tests.unit.api.clinic_story import Story
from tests.unit.api.quality_records import TODAY, tell_clean_unit
from tests.unit.api.standing_unit import NOON_MS

BORN_ON = "1950-05-05"


@pytest.fixture
def story(tmp_path):
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    told = Story(store, device="tablet-a", now_ms=NOON_MS)
    tell_clean_unit(told)
    yield told
    store.close()


def _pair(story, one, other, born_on=(BORN_ON, BORN_ON), sex=("female", "female"), **fields):
    """Write two patients by family and given name; return what is told of them as a pair."""
    with story.store.transaction():
        for place, (family, given) in enumerate((one, other)):
            story.write(
                f"patient/{'xy'[place]}",
                family_name=family,
                given_name=given,
                born_on=born_on[place],
                sex=sex[place],
                local_id=f"N-{place}",
                identity="confirmed",
                **fields,
            )
    told = report_quality(story.store, on=TODAY).to_mend
    return [row for row in told if row.rule == "patient-twice"]


@pytest.mark.parametrize(
    ("one", "other", "speaks"),
    [
        (("Müller", "Anna"), ("Mueller", "Anna"), ("family name", "near")),
        (("Greyfen", "Tobias"), ("Greyfenn", "Tobias"), ("family name", "alike")),
        (("Berg", "Anna"), ("Anna", "Berg"), ("order of names", "swapped")),
        (("Marrowick", "Odete"), ("Marrowick", "Odette"), ("given name", "alike")),
    ],
)
def test_another_spelling_or_names_swapped_are_proposed_with_what_speaks_for_it(
    story, one, other, speaks
):
    """[DQ5] [DM-05] Caught: only names that were the same letter by letter were found."""
    (told,) = _pair(story, one, other)

    assert (told.record, told.other) == ("patient/x", "patient/y")
    assert 900 <= told.likeness.per_mille <= 999
    assert speaks in told.likeness.traits
    assert ("day of birth", "the same") in told.likeness.traits


def test_one_slip_in_the_birth_date_is_told_as_such(story):
    """[DQ5]"""
    (told,) = _pair(story, ("Vareth", "Lena"), ("Vareth", "Lena"), (BORN_ON, "1950-05-06"))

    assert ("day of birth", "one slip") in told.likeness.traits


@pytest.mark.parametrize(
    ("one", "other", "born_on"),
    [
        (("Vareth", "Lena"), ("Okonkwo", "Bao"), (BORN_ON, BORN_ON)),
        (("Vareth", "Lena"), ("Vareth", "Lena"), (BORN_ON, "1983-11-27")),
        (("Vareth", "Lena"), ("Vareth", "Bao"), (BORN_ON, "1983-11-27")),
    ],
)
def test_who_shares_a_name_or_a_birth_date_alone_is_not_proposed(story, one, other, born_on):
    """[DQ5]"""
    assert _pair(story, one, other, born_on) == []


def test_a_shared_local_number_is_told_also_where_nothing_else_is_alike(story):
    """[DQ5] [DQ2]"""
    with story.store.transaction():
        story.write("patient/x", family_name="Vareth", given_name="Lena", local_id="N-7")
        story.write("patient/y", family_name="Okonkwo", given_name="Bao", local_id="n 7")
    (told,) = report_quality(story.store, on=TODAY).to_mend

    assert (told.rule, told.likeness) == ("patient-twice", None)


def test_the_weights_say_where_they_come_from_and_fit_the_traits():
    from api.use_cases.alike_patients import read_plain_weights

    weights = read_plain_weights()

    assert (DATA / f"{weights.name}.v{weights.version}.json").exists()
    assert all(one.source and one.basis for one in weights.traits)
    assert [one.trait for one in weights.traits if one.basis == "from memory"] == [
        "sex",
        "telephone",
    ]
