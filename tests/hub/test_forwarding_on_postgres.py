"""Forwarding to a hub of which the records lie in PostgreSQL: the same promises, played again."""

from tests.hub.test_forwarding import (
    test_a_notice_reaches_those_whom_it_is_for,
    test_lines_cut_at_every_request_lose_and_double_nothing,
    test_what_is_forged_in_anothers_name_is_refused_or_set_aside,
    test_what_two_units_publish_arrives_once_and_is_read_by_no_other,
)
from tests.hub.test_healing_on_postgres import hub

__all__ = [
    "hub",
    "test_a_notice_reaches_those_whom_it_is_for",
    "test_lines_cut_at_every_request_lose_and_double_nothing",
    "test_what_is_forged_in_anothers_name_is_refused_or_set_aside",
    "test_what_two_units_publish_arrives_once_and_is_read_by_no_other",
]
