"""Outcomes read from PostgreSQL are those read from SQLite, number by number.

Planted bugs that this caught: groups in whatever order the database finds them, rows of a patient
left as they were when a look came later.
"""

import random

import msgspec

from api.storage.hub_store import open_hub_store
from api.storage.unit_store import open_unit_store
from api.use_cases.read_outcomes import OutcomeAsk, read_outcomes
from api.use_cases.server_role import settle_role
from tests.unit.api.random_registry import Writers, invent_registry


def _fill(store):
    settle_role(store, as_hub=True)
    records = invent_registry(random.Random(8), cases=400)
    random.Random(9).shuffle(records)
    writers = Writers(store)
    for start in range(0, len(records), 500):
        writers.write(records[start : start + 500])
    with store.transaction():
        assert store.views.differing() == []


def test_both_databases_tell_the_same(tmp_path, database):
    stores = [
        open_unit_store(tmp_path / "file", new_generation="generation-1"),
        open_hub_store(database, tmp_path / "served", new_generation="generation-1"),
    ]
    for store in stores:
        _fill(store)
    asks = [
        OutcomeAsk(),
        OutcomeAsk(unit="unit-b", from_on="2025-06-01"),
        OutcomeAsk(mix="sex:female,child_class:B"),
    ]
    for ask in asks:
        told = [
            msgspec.json.encode(
                read_outcomes(store, ask, now_ms=7, on="2026-12-01", time_zone="UTC")
            )
            for store in stores
        ]
        assert told[0] == told[1]
        # A second time from the limits that were kept.
        again = read_outcomes(stores[1], ask, now_ms=7, on="2026-12-01", time_zone="UTC")
        assert msgspec.json.encode(again) == told[1]
    for store in stores:
        store.close()
