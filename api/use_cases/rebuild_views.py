"""Rebuild the views from the log, forget its segments, and check every plan again."""

from api.storage.unit_store import UnitStore
from api.use_cases.check_plans import check_every_plan


def rebuild_views(store: UnitStore) -> int:
    """Throw every view away, merge it again from the log, and return the number of records.

    Segments are thrown away too, and sealed anew for whoever asks for them (SG10).
    """
    with store.transaction():
        store.snapshots.clear()
        records = store.views.rebuild()
    check_every_plan(store)
    return records
