"""A search of the trail of access holds nobody up, and reads only the lines that it may find."""

import pytest

from api.storage import access_log
from api.storage.access_log import AccessEvent
from api.storage.unit_store import open_unit_store
from api.use_cases.search_access import AccessSearch, search_access

START_MS = 1_790_000_000_000
LINES = 600
ODD = 'staff/"who":"staff/s1"'


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    with opened.transaction():
        for number in range(LINES):
            event = AccessEvent(
                at_ms=START_MS + number * 1_000,
                asker="person",
                who=ODD if number % 100 == 7 else f"staff/s{number % 30}",
                device=f"tablet-{number % 20}",
                role="endoscopist",
                verb="read",
                object="patient",
                records=(f"patient/p{number % 90}",),
            )
            opened.access.append(event, noted_ms=event.at_ms)
    yield opened
    opened.close()


def _search(store, monkeypatch, **asked):
    """Return what is found of a search, by place, and how many lines were read for it."""
    read = []
    whole = access_log.read_line
    with monkeypatch.context() as watched:
        watched.setattr(access_log, "read_line", lambda text: read.append(text) or whole(text))
        found = search_access(store, AccessSearch(**asked), zone="UTC")
    return [(line.at_ms - START_MS) // 1_000 for line in found.events], len(read)


def test_a_search_for_a_person_or_a_device_reads_their_lines_alone(store, monkeypatch):
    """[DM-12] Caught: each line was decoded, 1.5 s of a hundred thousand to find nobody."""
    every = range(LINES - 1, -1, -1)
    of_person = [number for number in every if number % 30 == 4 and number % 100 != 7]
    assert _search(store, monkeypatch, person="staff/s4") == (of_person, len(of_person))
    of_device = [number for number in every if number % 20 == 11]
    assert _search(store, monkeypatch, device="tablet-11") == (of_device, len(of_device))
    both = [number for number in of_person if number % 20 == 14]
    assert both
    assert _search(store, monkeypatch, person="staff/s4", device="tablet-14")[0] == both
    assert _search(store, monkeypatch, person="staff/nobody") == ([], 0)
    odd = [number for number in every if number % 100 == 7]
    assert _search(store, monkeypatch, person=ODD) == (odd, len(odd))


def test_a_search_by_day_reads_what_happened_or_was_noted_on_it_alone(store, monkeypatch):
    """[DM-12] By either clock, also one that is years off.

    Caught: the whole trail read for one day, 1.6 s of a million lines; a line of a wrong clock
    hidden.
    """
    day_ms = 86_400_000
    # 2020-01-02; before 2001, after 2286 and before 1970 a time has not thirteen digits.
    odd = {1: 1_577_923_200_000, 2: 999_999_999_999, 3: 10**13, 4: -5, 5: START_MS + 9 * day_ms}
    with store.transaction():
        for place, at_ms in odd.items():
            event = AccessEvent(
                at_ms=at_ms, asker="device", who=f"odd-{place}", verb="read", object="patient"
            )
            store.access.append(event, noted_ms=START_MS + 20 * day_ms)

    def found(from_on, to_on):
        asked = AccessSearch(from_on=from_on, to_on=to_on)
        return [line.who for line in search_access(store, asked, zone="UTC").events]

    assert _search(store, monkeypatch, from_on="2020-01-01", to_on="2020-01-02")[1] == 1
    assert _search(store, monkeypatch, from_on="2020-01-03", to_on="2020-01-04") == ([], 0)
    assert _search(store, monkeypatch, from_on="2026-09-21", to_on="2026-09-22")[1] == LINES
    assert found("2020-01-01", "2020-01-02") == ["odd-1"]
    noted_on = ["odd-5", "odd-4", "odd-3", "odd-2", "odd-1"]
    assert found("2026-10-11", "2026-10-11") == noted_on
    assert found("2026-09-30", "2026-09-30") == ["odd-5"]
    assert found("", "2001-09-09") == ["odd-2"]
    assert found("2000-01-01", "2001-09-09") == ["odd-2"]
    assert found("2190-01-01", "") == ["odd-3"]


def test_a_search_takes_no_place_of_whoever_writes(store, monkeypatch):
    """[DM-12] [REL-11] Caught: at a hub it held the one write lock for as long as it read."""
    monkeypatch.setattr(store, "transaction", lambda: pytest.fail("others wait for it"))

    found = search_access(store, AccessSearch(patient="patient/p4"), zone="UTC")

    assert len(found.events) > 3
