"""A tablet that has joined a unit of its own, and what its place says."""

from pathlib import Path

from playwright.sync_api import Locator, Page, Playwright

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT


class Tablet:
    """One device with its page, joined to a unit of its own."""

    def __init__(self, driver: Playwright, folder: Path) -> None:
        self.server = ServedBuild(folder)
        story = str(ROOT / "seed_scenarios/00_unit.json")
        self.server.crura("load-scenario", story, "--as-if-today", "today")
        self.server.start()
        (folder / "profile").mkdir()
        self.device = Device(driver, folder / "profile", "tall")
        self.page = self.device.start(self.server.invite("bedside"))
        case.join(self.page, "Otis")
        case.choose_who_taps(self.page, "Otis")

    def stop(self) -> None:
        self.device.kill()
        self.server.stop()


def row(page: Page, name: str) -> Locator:
    """Return one line of the check before use."""
    return page.locator(f"[data-check={name}]")
