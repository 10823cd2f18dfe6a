"""What a unit erased is erased at a hub of which the records lie in PostgreSQL, too."""

from tests.hub.test_erasures_at_hub import (
    test_several_units_tell_at_once_while_others_are_served,
    test_two_people_at_the_hub_erase_one_patient_that_a_unit_told,
    test_what_was_erased_before_it_was_sent_keeps_no_round_up,
    unit,
)
from tests.hub.test_healing_on_postgres import hub

__all__ = [
    "hub",
    "test_several_units_tell_at_once_while_others_are_served",
    "test_two_people_at_the_hub_erase_one_patient_that_a_unit_told",
    "test_what_was_erased_before_it_was_sent_keeps_no_round_up",
    "unit",
]
