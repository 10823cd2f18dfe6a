"""The shelf and the lay-out list as the record tells them: the shared vectors, and the store.

`count_stock.json`, `make_lay_out_list.json` and `count_packages.json` are run by
`test_path_vectors.py`.
"""

import json

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store, read_packaged_catalogue
from api.use_cases.count_shelf import count_shelf, read_stock_request
from api.use_cases.lay_out_case import lay_out_case, read_lay_out_request
from tests.unit.api.clinic_story import Story
from tests.unit.api.merged_vector import merge_vector
from tests.unit.api.standing_unit import NOON_MS, StandingUnit
from tests.unit.sync.vectors import cases

CATALOGUE = read_packaged_catalogue()
ON = "2026-11-26"


def _states(parts):
    """Return the records that the operations of a vector merge to, by kind."""
    held = {}
    for state in merge_vector(parts):
        held.setdefault(state.record.split("/")[0], []).append(state)
    return held


@pytest.mark.parametrize("case", cases("stock/read_stock_request.json"))
def test_the_record_makes_the_request_of_its_vector(case):
    held = _states(case["given"])

    request = read_stock_request(
        *(
            held.get(kind, [])
            for kind in ("stock_item", "stock_movement", "package_opened", "recall_notice")
        ),
        on=ON,
    )

    assert request == case["expect"]["shelf"]


@pytest.mark.parametrize("case", cases("stock/read_lay_out_request.json"))
def test_a_case_makes_the_request_of_its_vector(case):
    held = _states(case["given"]["operations"])
    (itself,) = held["case"]

    request = read_lay_out_request(
        itself,
        held.get("package_opened", []),
        held["stock_item"],
        held.get("site", []),
        case["given"]["shelf"],
    )

    assert request == case["expect"]["request"]


@pytest.fixture
def unit(tmp_path):
    """Six coils came of two lots; one of them was placed, and the case plans two more."""
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    with store.transaction():
        story = Story(store, now_ms=NOON_MS)
        story.write("stock_item/c8", item="coil", name="Coil 8 mm", reorder_below=6)
        for lot, count, expires_on in (("B", 4, "2028-04-30"), ("A", 2, "2026-12-31")):
            story.write(
                f"stock_movement/{lot}",
                stock="stock_item/c8",
                device={"lot": lot, "expires_on": expires_on},
                change=count,
                reason="delivered",
            )
        device = {"lot": "A", "lot_unknown": False}
        placed = {"item": "coil", "stock_id": "stock_item/c8", "fate": "placed", "device": device}
        story.write("package_opened/p", case="case/other", **placed)
        picks = ["stock_item/c8", "stock_item/c8"]
        answer = {"targets": [{"label": "Varix A", "coils": {"picks": picks}}], "adhesive": None}
        story.write("case/c", plan={"request": {"adhesive": None}, "answer": answer})
    yield store, story, tmp_path / "unit"
    store.close()


def test_the_shelf_is_counted_over_all_cases(unit):
    """[SK1] [SK6] [SK7] [SK9]"""
    store, story, _ = unit

    found = count_shelf(store, on=ON)
    (item,) = found["items"]
    assert (item["on_shelf"], item["reorder"]) == (5, True)
    assert [(one["lot"], one["on_shelf"], one["standing"]) for one in item["lots"]] == [
        ("A", 1, "near-expiry"),
        ("B", 4, "valid"),
    ]
    assert found["names"] == {"stock_item/c8": "Coil 8 mm"}

    with store.transaction():
        story.write("package_opened/p", fate="returned")
    assert count_shelf(store, on=ON)["items"][0]["on_shelf"] == 6


def test_the_lay_out_list_takes_the_oldest_lot_and_none_without_a_plan(unit):
    """[SK12] [SK13]"""
    store, story, _ = unit

    (line,) = lay_out_case(store, "case/c", on=ON)["lines"]
    assert (line["needed"], line["spare"], line["short"]) == (2, 1, 0)
    assert [(one["lot"], one["take"]) for one in line["lots"]] == [("A", 1), ("B", 2)]

    assert lay_out_case(store, "case/unknown", on=ON) is None
    with store.transaction():
        story.write("case/bare", stage="workup")
    assert lay_out_case(store, "case/bare", on=ON) is None


def test_a_recall_takes_its_lot_off_the_list(unit):
    """[SK8] [SK13]"""
    store, story, _ = unit
    with store.transaction():
        story.write("recall_notice/r", item="coil", criteria={"lots": ["b"]}, state="in-force")

    assert [one["lot"] for one in count_shelf(store, on=ON)["recalled"]] == ["B"]
    (line,) = lay_out_case(store, "case/c", on=ON)["lines"]
    assert [one["lot"] for one in line["lots"]] == ["A"]
    assert (line["short"], line["short_of_needed"]) == (2, 1)


def test_the_command_says_what_to_order_and_what_expires(unit):
    """[SK9] [SK7] [SK3]"""
    store, story, folder = unit
    with store.transaction():
        story.write("package_opened/q", item="coil", stock_id="stock_item/c8", fate="used")
        story.write("package_opened/x", item="coil", stock_id="stock_item/gone", fate="used")
    store.close()

    said = CliRunner().invoke(main, ["stock", "--on", ON, "--data", str(folder)])

    assert said.exit_code == 0, said.output
    assert "Coil 8 mm  4" in said.output
    assert "Use by within 90 days" in said.output
    assert "Coil 8 mm: 1 taken of a lot unknown or never delivered: count the lots." in said.output
    assert "1 packages name no listed item. Look at package_opened/x." in said.output
    assert "To order: 1." in said.output
    as_json = CliRunner().invoke(
        main, ["stock", "--on", ON, "--format", "json", "--data", str(folder)]
    )
    assert json.loads(as_json.output)["reorder"] == ["stock_item/c8"]


def test_the_command_refuses_a_day_that_is_none(tmp_path):
    said = CliRunner().invoke(main, ["stock", "--on", "31.12.2026", "--data", str(tmp_path / "u")])

    assert said.exit_code == 2
    assert "31.12.2026 is no date. Give one such as 2026-03-16." in said.output


def test_a_unit_without_items_is_told_where_to_begin(tmp_path):
    open_unit_store(tmp_path / "unit", new_generation="generation-1").close()

    said = CliRunner().invoke(main, ["stock", "--data", str(tmp_path / "unit")])

    assert said.exit_code == 0
    assert "No item is listed." in said.output


def test_every_device_of_the_unit_may_ask_for_the_counts_and_no_stranger(tmp_path):
    with StandingUnit(tmp_path).serving() as unit:
        asked = unit.client.get("/api/stock", headers=unit.join("desk-a", "booking"))
        stranger = unit.client.get("/api/stock")

    assert asked.status_code == 200
    assert set(asked.json()) >= {"items", "reorder", "near_expiry", "names"}
    assert stranger.status_code == 401
