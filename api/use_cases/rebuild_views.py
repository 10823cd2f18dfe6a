"""Rebuild the views from the log."""

from api.storage.unit_store import UnitStore


def rebuild_views(store: UnitStore) -> int:
    """Throw every view away, merge it again from the log, and return the number of records."""
    with store.transaction():
        return store.views.rebuild()
