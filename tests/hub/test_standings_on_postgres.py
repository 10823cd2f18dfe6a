"""What units told of their data is read from PostgreSQL as from SQLite.

The planted bug that this caught: the part of the JSON asked for in the words of SQLite.
"""

from api.storage.hub_store import open_hub_store
from api.storage.standing_store import KeptCounts, KeptStanding
from api.storage.unit_store import open_unit_store


def test_both_databases_tell_the_counts_of_each_week(tmp_path, database):
    """[DM-04] 2026-09-21 is a Monday; of each week the last report is kept."""
    told = []
    for store in (
        open_unit_store(tmp_path / "file", new_generation="generation-1"),
        open_hub_store(database, tmp_path / "served", new_generation="generation-1"),
    ):
        with store.transaction():
            for day in (18, 20, 21, 23):
                content = f'{{"at_ms":1,"quality":{{"lot-missing":{day}}},"unsent":0}}'
                store.standings.keep(KeptStanding("unit-a", f"2026-09-{day}", day, content))
            store.standings.keep(KeptStanding("unit-b", "2026-09-22", 1, '{"at_ms":1}'))
            told.append(
                (
                    store.standings.weekly_counts("2026-09-18", "2026-09-23"),
                    store.standings.weekly_counts("2026-09-18", "2026-09-23", "unit-b"),
                )
            )
        store.close()

    assert told[0] == told[1]
    assert told[0] == (
        [
            KeptCounts("unit-a", "2026-09-20", '{"lot-missing":20}'),
            KeptCounts("unit-b", "2026-09-22", "{}"),
            KeptCounts("unit-a", "2026-09-23", '{"lot-missing":23}'),
        ],
        [KeptCounts("unit-b", "2026-09-22", "{}")],
    )
