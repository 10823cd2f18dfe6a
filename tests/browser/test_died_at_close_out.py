"""Close-out asks on which day a person died, and keeps it where the outcomes read it.

Plays the built app and the real server. Cites HAZ-43, HAZ-45, RG16, UX-01 and UX-08.
"""

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES
from tests.browser.measures import find_faults, read_screen
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser


@pytest.fixture
def tablet(server: UnitServer, new_device) -> Page:
    """A tablet at Close-out of a case that nobody has planned to follow up."""
    story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", story, "--as-if-today", "today")
    server.start()
    page = new_device("one").start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    case.go(page, "Close-out")
    return page


def assert_sound(page: Page) -> None:
    """Measure what is drawn at each size; how near to an edge goes by how far it is scrolled."""
    before = page.viewport_size
    for name, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(150)
        # A busy machine may not have drawn the new size yet.
        page.evaluate("() => new Promise(done => requestAnimationFrame(() => done()))")
        faults = find_faults(read_screen(page), wants_primary=False)
        found = [*faults.targets, *faults.fields, *faults.contrast]
        assert found == [], f"{name}: {found}"
    assert before is not None
    page.set_viewport_size(before)


def test_the_day_is_asked_recorded_undone_and_corrected(server: UnitServer, tablet: Page):
    """[HAZ-43] [HAZ-45] [UX-01] Two presses record a death with its day; offline as online.

    The planted bug that it caught: "Died" recorded at once, without its day.
    """
    page = tablet
    case.wait_until_sent(page)
    server.stop()
    case.answer(page, "No follow-up, because", "Died")
    asked = page.locator("[data-death-day]")
    expect(asked).to_be_visible()
    assert_sound(page)
    # Nothing is recorded before the day is chosen.
    chosen = page.get_by_role("button", name="Died", exact=True)
    expect(chosen).to_have_attribute("aria-pressed", "false")

    case.press(asked, "Today")
    expect(chosen).to_have_attribute("aria-pressed", "true")
    expect(asked).to_have_count(0)
    told = page.locator("p.number strong")
    expect(told).to_have_count(1)
    on_the_day = told.inner_text()
    assert on_the_day.startswith("Died ")
    assert_sound(page)

    case.press(page, "Undo: Died")
    expect(told).to_have_count(0)
    expect(chosen).to_have_attribute("aria-pressed", "false")

    case.answer(page, "No follow-up, because", "Died")
    case.press(asked, "Day not known")
    expect(told).to_have_text("Died, day not known")
    case.press(page, "Enter the day of death")
    case.press(asked, "Today")
    expect(told).to_have_text(on_the_day)

    server.start()
    # It asks by itself, up to 20 s after the last try.
    case.wait_until_sent(page, within_s=90)
    server.stop()
    assert "sound" in server.crura("verify").lower()
