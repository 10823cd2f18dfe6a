"""Which lots a recall names: by identifier, lot and use-by date together, never too narrow."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.lot_names import LookAlikes, identifier_form, lot_form, plain_form


def shelf_form(name: str) -> str:
    """Return a lot or serial number as the shelf compares it (SK2); "" where there is none.

    A name without any letter or digit of a label stands as it is, without spaces around it.

    Examples
    --------
    >>> shelf_form("l-0417 a")
    'L0417A'
    """
    return plain_form(name) or name.strip(" ")


def has_lot(record: Mapping[str, Any]) -> bool:
    """Say whether a movement or package names a lot that the shelf counts by."""
    return not record.get("lot_unknown", False) and shelf_form(record.get("lot", "")) != ""


def is_recalled(
    recall: Mapping[str, Any],
    identifiers: Sequence[str],
    lot: str,
    expires_on: str | None,
    look_alikes: LookAlikes,
) -> bool:
    """Say whether a recall names a lot of an item; a look-alike of its lot counts (SK8).

    Parameters
    ----------
    recall : mapping
        Optional ``identifier``, ``lots``, ``expires_from``, ``expires_to``; what it leaves out
        it does not limit.
    identifiers : sequence of str
        By which labels name the item; where none is known every identifier fits.
    lot : str
        Where it is "", or nobody knows it (LT1), every lot fits.
    expires_on : str or None
        Use-by date of the lot; where none is known every range fits.
    """
    wanted = identifier_form(recall.get("identifier", ""), look_alikes)
    own = {identifier_form(one, look_alikes) for one in identifiers} - {""}
    if wanted != "" and own and wanted not in own:
        return False
    lots = [form for one in recall.get("lots", []) if (form := lot_form(one, look_alikes))]
    own_lot = lot_form(lot, look_alikes)
    if lots and own_lot != "" and own_lot not in lots:
        return False
    if expires_on is None:
        return True
    is_early = "expires_from" in recall and expires_on < recall["expires_from"]
    return not is_early and not ("expires_to" in recall and expires_on > recall["expires_to"])
