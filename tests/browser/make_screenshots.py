"""Plays a case on the built app and writes the pictures of the README and one set a size.

`python -m tests.browser.make_screenshots` writes the README's pictures to
`tests/browser/pictures/`; with a folder as argument it writes every screen at the three sizes
there, to be looked at.
"""

import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, expect, sync_playwright

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.unit_server import ROOT, UnitServer

PICTURES = Path(__file__).with_name("pictures")
README_SIZE = {"clinic": "desk", "decisions": "desk"}


class Camera:
    """Takes each screen at every size, or at the README's size alone."""

    def __init__(self, folder: Path, *, every_size: bool) -> None:
        self._folder = folder
        self._every_size = every_size
        folder.mkdir(parents=True, exist_ok=True)

    def take(self, page: Page, name: str) -> None:
        wanted = SIZES if self._every_size else {name: SIZES[README_SIZE.get(name, "tall")]}
        for size, (width, height) in wanted.items():
            page.set_viewport_size({"width": width, "height": height})
            time.sleep(0.5)
            file = f"{name}-{size}.png" if self._every_size else f"{name}.png"
            page.screenshot(path=str(self._folder / file))
            overflow = page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert overflow <= 0, f"{name} at {size} scrolls sideways by {overflow} px"
        width, height = SIZES["tall"]
        page.set_viewport_size({"width": width, "height": height})


def photograph(camera: Camera, folder: Path) -> None:
    """Play a case with the seeded unit and take its screens."""
    server = UnitServer(folder / "unit")
    stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
    server.crura("load-scenario", *stories, "--as-if-today", "today")
    server.start()
    with sync_playwright() as driver:
        (folder / "tablet").mkdir()
        (folder / "desk").mkdir()
        tablet = Device(driver, folder / "tablet")
        desk = Device(driver, folder / "desk", "desk")
        try:
            page = tablet.start(server.invite("bedside"))
            time.sleep(1)
            camera.take(page, "welcome")
            case.join(page)
            time.sleep(4)
            case.choose_who_taps(page, "Otis")
            camera.take(page, "cases")
            case.add_patient_and_case(page, "Quillmere", "Dorothea")
            case.fill_workup(page)
            case.press(page, "Liver")
            page.get_by_text("Class B, 9 points").scroll_into_view_if_needed()
            camera.take(page, "workup")
            case.fill_plan(page)
            page.get_by_text("This plan is in use.").scroll_into_view_if_needed()
            camera.take(page, "plan")
            case.confirm_identity(page)
            case.pass_steps(page, "Has the coil formed")
            camera.take(page, "coil")
            case.pass_steps(page, "Inject slowly")
            case.primary(page).click()
            time.sleep(8)
            camera.take(page, "injection")
            case.pass_steps(page, "All steps passed")
            case.primary(page).click()
            expect(page.get_by_role("heading", name="Close-out")).to_be_visible()
            case.make_follow_up_plan(page)
            camera.take(page, "surveillance")
            case.close_out(page, "Wren")
            camera.take(page, "close-out")
            desk_page = desk.start(server.invite("booking"))
            case.join(desk_page)
            time.sleep(4)
            case.choose_who_taps(desk_page, "Pell")
            camera.take(desk_page, "clinic")
            case.go(desk_page, "Decisions")
            time.sleep(1)
            camera.take(desk_page, "decisions")
        finally:
            tablet.kill()
            desk.kill()
            server.stop()


if __name__ == "__main__":
    wanted = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory() as scratch:
        photograph(Camera(wanted or PICTURES, every_size=wanted is not None), Path(scratch))
