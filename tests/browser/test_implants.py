"""Finding everybody with a lot, on the built app: within its taps, without a network, and kept.

Cites TASK-19, HAZ-46.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Page, Playwright, expect

from api.storage.unit_store import open_unit_store
from sync.merge import shown_value
from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild
from tests.browser.tap_counter import read_touches, start_counting
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

TAPS = 5
# A lot of the stories, as a notice may have it: an O for the zero, no hyphen, small.
AS_IN_THE_NOTICE = "lo755a"
AS_RECORDED = "L-0755-A"


@dataclass
class Unit:
    server: ServedBuild
    device: Device
    page: Page


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Iterator[Unit]:
    """A tablet at a unit in which every seeded story has happened."""
    folder: Path = tmp_path_factory.mktemp("implants")
    server = ServedBuild(folder)
    for story in sorted((ROOT / "seed_scenarios").glob("0*.json")):
        server.crura("load-scenario", str(story), "--as-if-today", "today")
    server.start()
    (folder / "profile").mkdir()
    device = Device(playwright_driver, folder / "profile", "tall")
    try:
        page = device.start(server.invite("bedside"))
        case.join(page)
        expect(page.get_by_role("heading", name="Cases", exact=True)).to_be_visible(timeout=40_000)
        case.choose_who_taps(page, "Juno")
        # Later the tablet searches alone: it has to hold all pages of what it is given.
        case.wait_until_all_has_come(page)
        yield Unit(server, device, page)
    finally:
        device.kill()
        server.stop()


def _groups(page: Page) -> dict[str, set[str]]:
    return {
        name: set(
            page.locator(f"[data-group={name}] [data-implant]").evaluate_all(
                "found => found.map(one => one.dataset.implant)"
            )
        )
        for name in ("same", "alike", "near", "unknown")
    }


def test_everybody_with_a_lot_is_found_in_five_taps_with_and_without_a_network(unit: Unit):
    """[TASK-19] [HAZ-46] The unit first; then this tablet alone, which says that it is alone.

    [LT8] In between with a period as typed, which is told with the answer and kept.
    """
    page = unit.page
    start_counting(page)
    case.go(page, "Implants")
    page.get_by_label("Lot", exact=True).click()
    page.keyboard.type(AS_IN_THE_NOTICE)
    page.get_by_role("button", name=re.compile("Recall notice$")).click()

    expect(page.locator("[data-found=unit]")).to_be_visible(timeout=20_000)
    assert 0 < len(read_touches(page)) <= TAPS
    found = _groups(page)
    assert len(found["alike"]) >= 8, "written with a zero, searched with an O"
    expect(page.locator("[data-group=alike]")).to_contain_text(AS_RECORDED)
    expect(page.locator("[data-group=unknown]")).to_contain_text("lot unknown")

    with page.expect_download() as download:
        page.get_by_role("button", name="Save list").click()
    rows = Path(download.value.path()).read_text().splitlines()
    assert len(rows) == 1 + page.locator("[data-implant]").count()
    expect(page.locator("[data-period]")).to_have_text("Unknown lots of all time are listed.")

    press_recall = page.get_by_role("button", name=re.compile("Recall notice$"))
    page.get_by_role("button", name="More to search by").click()
    page.get_by_role("button", name="Between two days").click()
    for first, last, told in (
        ("2020-13", "", "This is no date."),
        ("2020-02", "2020-01", "The period ends before it begins."),
    ):
        page.get_by_label("From (2026-01)").fill(first)
        page.get_by_label("Until (2026-03)").fill(last)
        expect(page.locator("[data-search]")).to_contain_text(told)
        expect(press_recall).to_be_disabled()
    page.get_by_label("Until (2026-03)").fill("2020-02")
    press_recall.click()
    expect(page.locator("[data-period]")).to_contain_text("from 1 Feb 2020 until 29 Feb 2020")
    expect(page.locator("[data-found=unit]")).to_be_visible(timeout=20_000)
    assert _groups(page) == {**found, "unknown": set()}

    unit.server.stop()
    page.get_by_role("button", name="Begin again").click()
    page.get_by_label("Lot", exact=True).fill(AS_RECORDED.lower())
    page.get_by_role("button", name=re.compile("A patient asks$")).click()
    alone_here = page.locator("[data-found=tablet]")
    expect(alone_here).to_contain_text("From this tablet alone", timeout=60_000)
    expect(page.get_by_role("button", name="Ask the unit again")).to_be_visible(timeout=60_000)
    alone = _groups(page)
    # The stories play within what a new tablet is given: what was alike is the same by its lot.
    assert alone["same"] == found["alike"]
    assert alone["unknown"] == found["unknown"]

    unit.server.start()
    page.get_by_role("button", name="Ask the unit again").click()
    expect(page.locator("[data-found=unit]")).to_be_visible(timeout=60_000)
    assert _groups(page) == alone
    expect(page.locator("[data-status=unsent]")).to_contain_text(re.compile("^(?!.*[1-9])"))
    assert unit.device.problems == []

    unit.server.stop()
    store = open_unit_store(unit.server.folder, new_generation="generation-1")
    try:
        with store.transaction():
            kept = store.views.of_kind("lot_search")
    finally:
        store.close()
    why = sorted(shown_value(one.fields["because"]) for one in kept)
    # The tablet and the unit write into one entry.
    assert why == ["A patient asks", "Recall notice", "Recall notice"]
    periods = [shown_value(one.fields["criteria"]) for one in kept]
    days = {"from_on": "2020-02-01", "to_on": "2020-02-29"}
    assert [one for one in periods if "from_on" in one or "to_on" in one] == [
        {"lot": AS_IN_THE_NOTICE, **days}
    ]
    assert {shown_value(one.fields["found"]) for one in kept} != {0}
