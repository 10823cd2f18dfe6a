"""The trail of access of a hub, searched by day in PostgreSQL: by its index, by either clock."""

from api.storage.access_log import _WITHIN, AccessEvent
from api.storage.hub_store import open_hub_store
from api.use_cases.search_access import AccessSearch, search_access

DAY_MS = 86_400_000
# 2026-09-21, noon.
NOON_MS = 1_790_000_000_000 - 1_790_000_000_000 % DAY_MS + DAY_MS // 2


def test_a_day_of_the_trail_is_found_by_its_index(tmp_path, database):
    """[DM-12] Caught: one day read the whole trail; an index whose words no search uses."""
    store = open_hub_store(database, tmp_path / "hub", new_generation="generation-1")
    with store.transaction():
        for number in range(40):
            noted_ms = NOON_MS + number * DAY_MS
            # Every tenth by a clock that is two days behind, and one that never was set.
            late_ms = {0: 2 * DAY_MS, 5: noted_ms - 1}.get(number % 10, 0)
            event = AccessEvent(
                at_ms=noted_ms - late_ms,
                asker="person",
                who=f"staff/s{number}",
                verb="read",
                object="patient",
            )
            store.access.append(event, noted_ms=noted_ms)
        # A line that somebody spoiled stops neither the store nor a search.
        store.access.connection.execute(
            "INSERT INTO access_event VALUES (?, ?, ?)", (41, '{"at_ms":"', b"0" * 32)
        )

    found = search_access(store, AccessSearch(from_on="2026-09-29", to_on="2026-09-29"), zone="UTC")
    with store.transaction():
        execute = store.access.connection.execute
        execute("SET LOCAL enable_seqscan = off")
        values = [f"{NOON_MS},", f"{NOON_MS + DAY_MS},"] * 2
        plan = "\n".join(row[0] for row in execute(f"EXPLAIN {_WITHIN}", values).fetchall())
    store.close()

    assert [line.who for line in found.events] == ["staff/s10", "staff/s8"]
    assert "access_event_by_time" in plan
    assert "access_event_by_noting" in plan
