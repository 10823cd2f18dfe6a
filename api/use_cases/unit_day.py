"""The zone in which a unit reads its days: that of its site's record, wherever the server stands.

A server that stands in another zone would otherwise write letters for yesterday, or count a
booking of today as past.
"""

from api.storage.unit_store import UnitStore
from api.use_cases.record_values import known_zone, text_of


def read_unit_zone(store: UnitStore, *, otherwise: str) -> str:
    """Return the IANA name of the unit's zone.

    Parameters
    ----------
    otherwise : str
        The zone that holds where no site names one that is known.
    """
    with store.transaction():
        sites = store.views.of_kind("site")
    return known_zone([text_of(one, "time_zone") for one in sites], otherwise)
