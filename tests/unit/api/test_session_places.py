"""Places in a session: the shared vectors of what a visit needs, and properties of the order.

`answer_session_places.json` is run by `test_path_vectors.py`.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.clinical_rules.session_places import (
    answer_session_places,
    fits_session,
    needed_equipment,
)
from api.use_cases.booking_records import gather_booking_records, seat_bookings
from tests.unit.api.merged_vector import merge_vector
from tests.unit.sync.vectors import cases

BOOKINGS = st.lists(
    st.fixed_dictionaries(
        {
            "visit": st.sampled_from([f"visit/{letter}" for letter in "abcdefg"]),
            "stamp": st.sampled_from([f"{wall:015}.00000.desk-a" for wall in range(4)]),
            "urgency": st.integers(0, 3),
        }
    ),
    max_size=9,
)


@pytest.mark.parametrize("case", cases("bookings/needed_equipment.json"))
def test_a_label_says_what_the_visit_needs(case):
    assert needed_equipment(case["given"]) == case["expect"]


@pytest.mark.parametrize("case", cases("bookings/fits_session.json"))
def test_a_session_serves_what_it_has(case):
    assert fits_session(case["given"]["needed"], case["given"]["equipment"]) is case["expect"]


@given(bookings=BOOKINGS, capacity=st.integers(0, 9), chance=st.randoms())
def test_nobody_is_dropped_and_the_order_of_arrival_changes_nothing(bookings, capacity, chance):
    """[BK2] [BK4] [BK1].

    Planted bugs that this caught: the first of two bookings of a visit kept as they came, and
    those over cut off behind the first.
    """
    shuffled = chance.sample(bookings, len(bookings))

    answer = answer_session_places({"bookings": bookings, "capacity": capacity})

    assert answer == answer_session_places({"bookings": shuffled, "capacity": capacity})
    named = [*answer["holding"], *(one["visit"] for one in answer["over"])]
    assert sorted(named) == sorted({one["visit"] for one in bookings})
    assert len(answer["holding"]) == min(capacity, len(named))


@given(
    bookings=st.lists(
        st.fixed_dictionaries(
            {
                "visit": st.sampled_from([f"visit/{letter}" for letter in "abcdefg"]),
                "stamp": st.sampled_from([f"{wall:015}.00000.desk-a" for wall in range(4)]),
                "on": st.sampled_from(["", "2026-04-13", "2026-04-14"]),
            }
        ),
        max_size=9,
    ),
    held_on=st.sampled_from(["", "2026-04-14", "2026-04-15"]),
    capacity=st.integers(0, 9),
)
def test_nobody_holds_a_place_on_a_day_that_the_session_is_not_held(bookings, held_on, capacity):
    """[BK7] [BK4] And nobody is dropped.

    Planted bug that this caught: those told another day cut off without a word.
    """
    answer = answer_session_places({"bookings": bookings, "capacity": capacity, "held_on": held_on})

    named = [*answer["holding"], *(one["visit"] for one in answer["over"])]
    assert sorted(named) == sorted({one["visit"] for one in bookings})
    told = {one["visit"] for one in bookings if held_on and one["on"] == held_on}
    assert set(answer["holding"]) <= told


@given(bookings=BOOKINGS, capacity=st.integers(0, 9))
def test_one_more_place_takes_the_place_of_nobody(bookings, capacity):
    """[BK2] Whoever holds a place keeps it when one is added."""
    before = answer_session_places({"bookings": bookings, "capacity": capacity})
    after = answer_session_places({"bookings": bookings, "capacity": capacity + 1})

    assert after["holding"][: len(before["holding"])] == before["holding"]


@pytest.mark.parametrize("case", cases("bookings/seat_bookings.json"))
def test_places_are_given_by_what_the_record_shows(case):
    """The planted bug it has caught: of two answers on a booking only the last counted."""
    states = merge_vector(case["given"])
    sessions = [one for one in states if one.record.startswith("clinic_session/")]
    visits = [one for one in states if one.record.startswith("visit/")]

    assert seat_bookings(gather_booking_records(sessions, visits, [])) == case["expect"]
    assert seat_bookings(gather_booking_records(sessions, visits[::-1], [])) == case["expect"]
