"""An emergency on the smallest screen: the way to the puncture, and what lies below the fold.

Plays the built app and the real server. Cites HAZ-28, UX-01 and UX-08.
"""

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser


@pytest.fixture
def live(server: UnitServer, new_device) -> Page:
    """A tablet at the first step of an emergency case."""
    story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", story, "--as-if-today", "today")
    server.start()
    page = new_device("one").start(server.invite("bedside"))
    case.join(page)
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()
    return page


def test_straight_to_puncture_is_in_sight_and_does_what_it_says(live: Page):
    """At each size, none of it below what the screen shows, and never under the primary action.

    Caught: it stood below the other answers, half of it out of sight on the smallest screen.
    """
    onwards = live.get_by_role("button", name="Straight to puncture")
    seen = 0
    for _ in range(6):
        for width, height in SIZES.values():
            live.set_viewport_size({"width": width, "height": height})
            live.wait_for_timeout(150)
            place, primary = onwards.bounding_box(), case.primary(live).bounding_box()
            assert place is not None
            assert primary is not None
            is_left = place["x"] + place["width"] <= primary["x"]
            assert place["y"] + place["height"] <= primary["y"] or is_left, case.ask(live)
            assert place["y"] + place["height"] <= height, case.ask(live)
            seen += 1
        before = case.ask(live)
        case.primary(live).click()
        case.wait_for_redraw(live, before)
    assert seen == 6 * len(SIZES)

    onwards.click()

    # The last step before the needle goes in is never left out.
    expect(live.locator("h1.ask")).to_have_text("Needle flushed, no air?")
    expect(onwards).to_have_count(0)


def test_what_lies_below_is_told_until_it_is_seen(live: Page):
    """Lots of needles do not all fit under the question on the smallest screen.

    Caught, as it was: they were cut off, and a tablet draws no bar that would tell so.
    """
    width, height = SIZES["portrait"]
    live.set_viewport_size({"width": width, "height": height})
    more = live.locator("[data-more-below]")
    # All of this step is in sight, once its parts stand where they belong.
    expect(live.locator("h1.ask")).to_have_text("Right patient?")
    expect(more).to_have_count(0)

    live.get_by_role("button", name="Straight to puncture").click()
    expect(live.locator("h1.ask")).to_have_text("Needle flushed, no air?")
    expect(more).to_have_text("▼ More below")

    live.locator(".now").evaluate("(one) => one.scrollTo(0, one.scrollHeight)")
    expect(more).to_have_count(0)
