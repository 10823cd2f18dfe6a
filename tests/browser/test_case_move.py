"""After an emergency the case goes to the person it belongs to, whole and by two people.

Plays the built app and the real server. Cites HAZ-01 and HAZ-41.
"""

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser
TITLE = "This case belongs to somebody else"


@pytest.fixture
def page(served: UnitServer, new_device) -> Page:
    """A tablet with a known patient and an emergency of somebody unknown."""
    story = str(ROOT / "seed_scenarios/00_unit.json")
    served.crura("load-scenario", story, "--as-if-today", "today")
    served.start()
    page = new_device("one").start(served.invite("bedside"))
    case.join(page)
    case.add_patient_and_case(page, "Reedmace", "Ada")
    case.go(page, "Cases")
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()
    case.go(page, "Workup")
    return page


def test_an_emergency_goes_to_the_person_it_belongs_to(page: Page):
    """[HAZ-01] The stand-in is gone, and the case stands under Ada."""
    case.press(page, "Open the patient page")
    case.press(page, "Belongs to somebody else")
    sheet = page.get_by_role("dialog", name=TITLE)
    sheet.get_by_label("Name, day of birth or local number").fill("52088")
    expect(sheet.locator("[data-others] button")).to_have_count(1)
    sheet.locator("[data-others] button").click()
    expect(sheet.locator("tr.differs")).to_have_count(5)
    hold = sheet.get_by_role("button", name="Hold to move it to Reedmace, Ada")
    expect(hold).to_be_disabled()
    sheet.get_by_role("button", name="Dr Otis Bramblewick").click()
    sheet.get_by_role("button", name="Identity is known now").click()
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        hold.scroll_into_view_if_needed()
        expect(hold).to_be_in_viewport(ratio=1)
    hold.click(delay=1_400)

    expect(sheet).to_have_count(0)
    expect(page.locator(".line.number").first).to_contain_text("Reedmace, Ada")
    expect(page.get_by_role("button", name="Open case")).to_have_count(2)
    history = page.locator("main")
    case.go(page, "Cases")
    expect(page.get_by_text("Emergency ", exact=False).filter(has_text="Unknown")).to_have_count(0)
    expect(history.get_by_text("Reedmace, Ada")).to_have_count(2)
