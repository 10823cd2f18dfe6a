"""Make the lay-out list of a planned case from the record of the unit.

Twin of `pwa/src/state/lay-out.ts`: both make one request of `lay-out` from a record.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.lay_out_list import make_lay_out_list
from api.clinical_rules.stock_without_lot import UNUSABLE
from api.storage.unit_store import UnitStore
from api.use_cases.count_shelf import count_shelf
from api.use_cases.errors import CalculationError
from api.use_cases.record_values import parts_of, text_of
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState, shown_value

# A package discarded has to be replaced on the table.
_ON_THE_TABLE = ("open", "placed", "used")


def lay_out_case(store: UnitStore, case: str, *, on: str) -> dict[str, Any] | None:
    """Return what to lay out for a case; None where no plan is in use.

    Parameters
    ----------
    case : str
        Its record, ``case/<id>``.
    on : str
        Civil date by which lots expire.

    Raises
    ------
    CalculationError
        The rule file of the shelf is not in force, or the plan cannot be read.
    """
    with store.transaction():
        state = store.views.state_of(case)
        items = store.views.of_kind("stock_item")
        packages = store.views.of_kind("package_opened")
        sites = store.views.of_kind("site")
    if state is None:
        return None
    own = [one for one in packages if shown_value(one.fields.get("case")) == case]
    request = read_lay_out_request(state, own, items, sites, count_shelf(store, on=on))
    if request is None:
        return None
    try:
        return make_lay_out_list(request, open_unit_book(store, on=on))
    except ClinicalRuleError as error:
        raise CalculationError(str(error)) from error


def read_lay_out_request(
    case: RecordState,
    packages: Iterable[RecordState],
    items: Iterable[RecordState],
    sites: Iterable[RecordState],
    shelf: Mapping[str, Any],
) -> dict[str, Any] | None:
    """Return the request of ``lay-out``; what the plan does not say is left out.

    None where no plan is in use.

    Parameters
    ----------
    packages : iterable of RecordState
        Those opened in the case.
    shelf : mapping
        The answer of ``stock-counts``.
    """
    plan = parts_of(shown_value(case.fields.get("plan")))
    answer, asked = parts_of(plan.get("answer")), parts_of(plan.get("request"))
    if not isinstance(plan.get("answer"), dict) or not isinstance(plan.get("request"), dict):
        return None
    targets = answer.get("targets")
    adhesive, planned = parts_of(answer.get("adhesive")), parts_of(asked.get("adhesive"))
    needle = parts_of(shown_value(case.fields.get("needle")))
    by_record = {one.record: one for one in items}
    return {
        "targets": [
            {
                "label": str(target.get("label", "")),
                "picks": _texts(parts_of(target.get("coils")).get("picks")),
            }
            for target in (targets if isinstance(targets, list) else [])
            if isinstance(target, dict)
        ],
        "shelf": [_shelf_item(one, by_record[one["stock_id"]]) for one in shelf["items"]],
        **({"needle": _needle(needle)} if needle else {}),
        **({"adhesive": _adhesive(planned, adhesive)} if adhesive and planned else {}),
        **({"flush": _flush(adhesive)} if adhesive else {}),
        "laid_out": [
            text_of(one, "stock_id")
            for one in packages
            if not one.is_entered_in_error and text_of(one, "fate") in _ON_THE_TABLE
        ],
        "own_lines": [
            line
            for site in sites
            if not site.is_entered_in_error
            for line in _texts(shown_value(site.fields.get("lay_out_lines")))
        ],
    }


def _shelf_item(counted: Mapping[str, Any], item: RecordState) -> dict[str, Any]:
    """Return what the list needs of an item; keys that have no content are left out."""
    adhesive = parts_of(shown_value(item.fields.get("adhesive")))
    agent, ampoule_ul = adhesive.get("agent"), adhesive.get("ampoule_ul")
    return {
        "id": item.record,
        "item": counted["item"],
        "name": text_of(item, "name") or item.record,
        "lots": [
            *(
                {
                    key: lot[key]
                    for key in ("lot", "on_shelf", "standing", "expires_on")
                    if lot[key] is not None
                }
                for lot in counted["lots"]
            ),
            # Without a lot and left lying (SK20).
            *(
                {"on_shelf": remark["count"], "standing": remark["kind"]}
                for remark in counted.get("remarks", [])
                if remark["kind"] in UNUSABLE
            ),
        ],
        "on_shelf": counted["on_shelf"],
        "usable": counted["usable"],
        **({"agent": agent} if isinstance(agent, str) else {}),
        **({"ampoule_ul": ampoule_ul} if isinstance(ampoule_ul, int) and ampoule_ul > 0 else {}),
    }


def _needle(needle: Mapping[str, Any]) -> str:
    """Return the item that was chosen, the gauge where the needle was only described."""
    stock_id = needle.get("stock_id")
    if isinstance(stock_id, str) and stock_id:
        return stock_id
    return f"Needle {needle.get('gauge', '')} G"


def _adhesive(planned: Mapping[str, Any], answer: Mapping[str, Any]) -> dict[str, Any]:
    amounts = {key: answer[key] for key in ("pure_ul", "mix_ul") if _is_amount(answer.get(key))}
    return {"agent": planned.get("agent"), **amounts}


def _flush(answer: Mapping[str, Any]) -> dict[str, Any]:
    flush_ul = answer.get("flush_ul")
    return {
        "media": _texts(answer.get("flush_media")),
        **({"flush_ul": flush_ul} if _is_amount(flush_ul) else {}),
    }


def _texts(value: object) -> list[str]:
    return [one for one in value if isinstance(one, str)] if isinstance(value, list) else []


def _is_amount(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
