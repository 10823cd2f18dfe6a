"""Count the shelf from the record of the unit: items, movements, packages and recalls in force.

Twin of `pwa/src/state/stock-records.ts`: both make one request of `stock-counts` from a record.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.stock_counts import count_stock
from api.clinical_rules.stock_request import MOST_PACKAGES
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.record_values import civil_date_of, parts_of, text_of
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState, shown_value

_ITEMS = ("coil", "needle", "adhesive")
_FATES = ("open", "placed", "used", "discarded", "returned")
_BACK = "returned"
_TEXTS = ("identifier", "lot", "serial")


def count_shelf(store: UnitStore, *, on: str) -> dict[str, Any]:
    """Return what is on the shelf of a unit, with the name of each item.

    Parameters
    ----------
    on : str
        Civil date by which lots expire.

    Returns
    -------
    dict
        The answer of ``stock-counts``; ``names`` by record of the item.

    Raises
    ------
    CalculationError
        It is no date, or the rule file of the shelf is not in force or contradicts itself.
    """
    if not is_civil_date(on):
        raise CalculationError(f"{on} is no date. Give one such as 2026-03-16.")
    with store.transaction():
        held = {
            kind: store.views.of_kind(kind)
            for kind in ("stock_item", "stock_movement", "package_opened", "recall_notice")
        }
    items = [one for one in held["stock_item"] if _is_listed(one)]
    request = read_stock_request(
        items, held["stock_movement"], held["package_opened"], held["recall_notice"], on=on
    )
    try:
        answer = count_stock(request, open_unit_book(store, on=on))
    except ClinicalRuleError as error:
        raise CalculationError(str(error)) from error
    return {**answer, "names": {one.record: text_of(one, "name") for one in items}}


def read_stock_request(
    items: Iterable[RecordState],
    movements: Iterable[RecordState],
    packages: Iterable[RecordState],
    recalls: Iterable[RecordState],
    *,
    on: str,
) -> dict[str, Any]:
    """Return the request of ``stock-counts``; what a record does not say is left out.

    A package with two answers counts for each item that one names, and is back on the shelf only
    where every answer says so: the count never tells of more than may be there.
    """
    return {
        "today_on": on,
        "items": [_item(one) for one in items if _is_listed(one)],
        "movements": [_movement(one) for one in movements],
        "packages": [row for one in packages for row in _package(one)],
        "recalls": [_recall(one) for one in recalls if _is_in_force(one)],
    }


def _is_listed(item: RecordState) -> bool:
    return not item.is_entered_in_error and text_of(item, "item") in _ITEMS


def _item(item: RecordState) -> dict[str, Any]:
    below = shown_value(item.fields.get("reorder_below"))
    return {
        "id": item.record,
        "item": text_of(item, "item"),
        "identifiers": _texts(shown_value(item.fields.get("identifiers"))),
        **({"reorder_below": below} if _is_count(below) and below >= 0 else {}),
    }


def _movement(movement: RecordState) -> dict[str, Any]:
    change = shown_value(movement.fields.get("change"))
    return {
        "stock": text_of(movement, "stock"),
        "change": change if _is_count(change) else 0,
        **_label(movement),
    }


def _package(package: RecordState) -> list[dict[str, Any]]:
    """Return a row for each item that an answer names."""
    fates = _values(package, "fate")
    gone = [fate for fate in fates if fate != _BACK]
    known = [fate for fate in gone if fate in _FATES]
    fate = _BACK if fates and not gone else (known or ["open"])[-1]
    stocks = [one for one in _values(package, "stock_id") if isinstance(one, str)] or [""]
    return [
        {"id": package.record, "stock": stock, "fate": fate, **_label(package)} for stock in stocks
    ]


def _label(record: RecordState) -> dict[str, Any]:
    device = parts_of(shown_value(record.fields.get("device")))
    expires_on = civil_date_of(device.get("expires_on"))
    return {
        **{part: device[part] for part in _TEXTS if isinstance(device.get(part), str)},
        **({"lot_unknown": True} if device.get("lot_unknown") is True else {}),
        **({"expires_on": expires_on} if expires_on else {}),
        "struck": record.is_entered_in_error,
    }


def _recall(notice: RecordState) -> dict[str, Any]:
    criteria = parts_of(shown_value(notice.fields.get("criteria")))
    days = {end: civil_date_of(criteria.get(end)) for end in ("expires_from", "expires_to")}
    item, identifier = text_of(notice, "item"), criteria.get("identifier")
    return {
        **({"item": item} if item in _ITEMS else {}),
        **({"identifier": identifier} if isinstance(identifier, str) else {}),
        "lots": _texts(criteria.get("lots")),
        **{end: day for end, day in days.items() if day},
    }


def _is_in_force(notice: RecordState) -> bool:
    """Two answers on its state, or none: in force, until a person has withdrawn it."""
    states = _values(notice, "state")
    return not notice.is_entered_in_error and states != ["withdrawn"]


def _values(record: RecordState, field: str) -> list[Any]:
    held = record.fields.get(field)
    return [one.value for one in held.values] if held else []


def _texts(value: object) -> list[str]:
    return [one for one in value if isinstance(one, str)] if isinstance(value, list) else []


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) <= MOST_PACKAGES


def by_name(names: Mapping[str, str], stock_id: str) -> str:
    """Return an item's name, its record where it has none."""
    return names.get(stock_id) or stock_id
