"""What the bench of the trail of access holds its searches against, small, and that it can fail.

`make bench` runs the same over 1,000,000 lines; here nothing is timed.
"""

import random

import msgspec
import pytest

from api.storage.unit_store import open_unit_store
from api.use_cases.search_access import AccessSearch, search_access
from tests.bench import access_rows
from tests.bench.access_rows import SEED, check_found, fill_trail, search_trail

LINES = 4_000


@pytest.fixture
def filled(tmp_path, monkeypatch):
    """A unit with a trail, and which line belongs to whom."""
    monkeypatch.setattr(access_rows, "_PATIENTS", 40)
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    trail = fill_trail(store, LINES, random.Random(SEED))
    yield store, trail
    store.close()


def test_every_sort_of_search_shows_the_lines_that_it_must(filled):
    """[DM-12] Newest first, by the number of each line."""
    store, trail = filled

    section = search_trail(store, trail, 4, random.Random(1))

    assert section.faults == []
    assert len(section.rows) == 5
    assert all(trail.newest("patient", one) for one in trail.asked)


def test_a_line_that_is_missing_too_many_or_out_of_order_fails_the_bench(filled):
    store, trail = filled
    patient = trail.asked[3]
    found = search_access(store, AccessSearch(patient=patient), zone="UTC")
    events = found.events
    assert len(events) > 50
    assert check_found(trail, "patient", patient, found) == []

    for wrong in (events[1:], events[::-1], (*events, events[0])):
        assert check_found(trail, "patient", patient, msgspec.structs.replace(found, events=wrong))
    assert check_found(trail, "patient", trail.asked[4], found)
