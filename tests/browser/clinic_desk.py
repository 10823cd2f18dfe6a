"""A clinic desk at a unit in which every seeded story has happened, and its clicks counted.

A click is a pointer that goes down on the page.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

# Clicks and seconds, as the requirement of each task has them.
BOOK_CLICKS, BOOK_S = 6, 30
NO_SHOW_CLICKS, NO_SHOW_S = 3, 10
# Card, Moran and Newell, Communications of the ACM 1980;23:396: to think, to point, to press.
LOOK_S, POINT_S, PRESS_S = 1.35, 1.1, 0.2
FINDINGS = ("varix", "varices", "coil", "adhesive", "child", "meld", "bleed", "flow")
_COUNT = """
() => {
  if (window.clicks === undefined) {
    addEventListener('pointerdown', (event) => {
      if (event.isTrusted) window.clicks += 1;
    }, true);
  }
  window.clicks = 0;
}
"""


class Clicks:
    """How many clicks one job took."""

    def __init__(self) -> None:
        self.count = 0

    @property
    def seconds(self) -> float:
        """What a practised hand needs for them."""
        return self.count * (LOOK_S + POINT_S + PRESS_S)


@contextmanager
def counting(page: Page) -> Iterator[Clicks]:
    counted = Clicks()
    page.evaluate(_COUNT)
    yield counted
    counted.count = int(page.evaluate("() => window.clicks"))


@dataclass
class Desk:
    """A desk in the role of booking, its page, and the unit that it has joined."""

    server: ServedBuild
    device: Device
    page: Page


@contextmanager
def open_desk(playwright_driver: Playwright, folder: Path) -> Iterator[Desk]:
    """Serve the stories from a folder and let a desk join; both are stopped at the end."""
    server = ServedBuild(folder)
    for story in sorted((ROOT / "seed_scenarios").glob("0*.json")):
        server.crura("load-scenario", str(story), "--as-if-today", "today")
    server.start()
    (folder / "profile").mkdir()
    device = Device(playwright_driver, folder / "profile", "desk")
    try:
        page = device.start(server.invite("booking"))
        case.join(page)
        expect(page.locator("[data-visit]").first).to_be_visible(timeout=40_000)
        case.wait_until_all_has_come(page)
        case.choose_who_taps(page, "Cass")
        yield Desk(server, device, page)
    finally:
        device.kill()
        server.stop()
