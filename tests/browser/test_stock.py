"""From the shelf to the table and back: delivered, laid out, placed, returned, without a network.

Plays the built app on one tablet with the seeded unit. Cites SK1, SK12, SK13, SK14, SK18, HARD-08
and TASK-08.
"""

import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

COIL = "stock_item/coil-18-035"
NEW_LOT = "L-0388-Z"
OLD_LOT = "L-0219-Y"


@pytest.fixture
def server(tmp_path: Path):
    unit = ServedBuild(tmp_path / "served")
    stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
    unit.crura("load-scenario", *stories, "--as-if-today", "today")
    unit.start()
    yield unit
    unit.stop()


def _on_shelf(page: Page, stock: str) -> int:
    return int(page.locator(f'[data-stock="{stock}"] [data-on-shelf]').inner_text().split()[0])


def _go(page: Page, place: str) -> None:
    if page.get_by_role("navigation").get_by_role("button", name=place).count() == 0:
        case.go(page, "Cases")
    case.go(page, place)


def _line(page: Page, stock: str) -> Locator:
    return page.locator(f'[data-line="{stock}"]')


def _deliver(
    page: Page, stock: str, lot: str, packages: int, *, use_by: str = "2027-11-30"
) -> None:
    """Enter a delivery by typing its label, as where no code can be read."""
    page.locator(f'[data-stock="{stock}"]').click()
    case.press(page, "Deliver")
    case.press(page, "Type it")
    page.get_by_label("Lot", exact=True).fill(lot)
    page.get_by_label("Use by, such as 2027-04").fill(use_by)
    case.press(page, "Take this label")
    for _ in range(packages):
        page.get_by_role("button", name=re.compile("^More: How many")).click()
        time.sleep(0.1)
    case.press(page, f"Add {packages} package")
    expect(page.locator(f'[data-lot="{lot}"]')).to_be_visible()


def _look_at_lots(page: Page) -> None:
    """What came by a delivery is a button; what has expired stands behind, and asks why."""
    case.press(page, "Other step", exact=True)
    page.get_by_role("dialog").get_by_role("button", name=re.compile("^7.1")).first.click()
    case.press(page, "Choose the coil")
    page.get_by_role("dialog").get_by_role("button", name=re.compile("Coil 18 mm")).click()
    lots = page.get_by_role("group", name="Lot", exact=True)
    expect(lots.get_by_role("button", name=NEW_LOT)).to_be_visible()
    expect(lots.get_by_role("button", name=OLD_LOT)).to_have_count(0)
    lots.get_by_role("button", name=re.compile("more lot")).click()
    old = page.get_by_role("dialog").get_by_role("button", name=OLD_LOT)
    expect(old).to_contain_text("Expired 2026-01-31")
    _look_at_every_size(page)
    old.click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(lots.get_by_role("button", name=OLD_LOT)).to_have_attribute("aria-pressed", "true")
    expect(page.get_by_role("group", name="Why is it used?")).to_be_visible()


def _look_at_every_size(page: Page) -> None:
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate(
            "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        )
    width, height = SIZES["tall"]
    page.set_viewport_size({"width": width, "height": height})


def test_what_is_laid_out_is_placed_or_returned_and_the_shelf_adds_up(
    server: ServedBuild, new_device: Callable[..., Device]
):
    """[SK1] [SK12] [SK13] [SK14] [SK18] [HARD-08]"""
    tablet = new_device("tablet")
    page = tablet.start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    expect(page.locator("[data-status=unsent]")).to_contain_text("All at the unit")
    page.context.set_offline(True)

    # given: a delivery that is typed in, of a lot that expires before the others; and one too late
    _go(page, "Stock")
    _deliver(page, COIL, OLD_LOT, 1, use_by="2026-01-31")
    page.locator(f'[data-stock="{COIL}"]').click()
    before = _on_shelf(page, COIL)
    _deliver(page, COIL, NEW_LOT, 3)
    assert _on_shelf(page, COIL) == before + 3
    _look_at_every_size(page)

    # when: a case is planned with two of these coils, and its list is laid out
    _go(page, "Cases")
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    case.fill_workup(page)
    case.fill_plan(page)
    expect(_line(page, COIL)).to_contain_text("2 needed + 1 spare")
    expect(_line(page, COIL)).to_contain_text(NEW_LOT)
    expect(page.locator('[data-line="flush"]')).to_contain_text("saline")
    lay_out = page.locator("[data-line]").get_by_role("button")
    for _ in range(lay_out.count()):
        lines = lay_out.count()
        lay_out.first.click()
        expect(lay_out).to_have_count(lines - 1)
    expect(_line(page, COIL)).to_contain_text("3 laid out")
    _look_at_every_size(page)

    # and: the case is played; its coils come from the table
    case.confirm_identity(page)
    case.pass_steps(page, "All steps passed")
    _look_at_lots(page)
    case.go(page, "Close-out")
    expect(
        page.get_by_text("Coil packages: 3 opened, 2 placed, 0 discarded, 0 returned.")
    ).to_be_visible()

    # then: one press a package settles what was not used
    case.press(page, "Returned unopened")
    expect(page.get_by_text("3 opened = 2 placed + 0 discarded + 1 returned")).to_be_visible()
    used = page.get_by_role("button", name="Used", exact=True)
    returned = page.get_by_role("button", name="Returned unopened")
    for settle in (used, returned) * 2:
        # A needle and an ampoule were used; the rest goes back.
        lines = used.count()
        settle.first.click()
        # The line of what is settled goes: before that, the next press would find it again.
        expect(used).to_have_count(lines - 1)
    expect(page.get_by_text("2 opened = 1 used + 0 discarded + 1 returned")).to_have_count(2)
    _look_at_every_size(page)

    _go(page, "Stock")
    assert _on_shelf(page, COIL) == before + 3 - 2
    assert tablet.problems == []
