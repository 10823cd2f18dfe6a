"""A tablet that locks: PINs, wrong ones, a live case that survives a kill, and an emergency.

Plays the built app and the real server; nothing is stubbed. Cites SEC-10, SEC-11, SEC-13, HAZ-25,
HAZ-28.
"""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

FIRST = "Dr Ivo Larkspire"
OTHER_PATIENT = "Quillmere"
GIVEN_NAME = "Dorotheanne"
WRONG = "730152"


def says(page: Page, sentence: str) -> None:
    expect(page.locator("[data-pin-answer]")).to_contain_text(sentence)


def lock(page: Page) -> None:
    page.locator("[data-status=lock]").click()
    expect(page.locator("[data-locked]")).to_be_visible()


def read_heap(page: Page) -> str:
    """Return all that the page's memory holds, after what nobody refers to was collected."""
    chunks: list[str] = []
    session = page.context.new_cdp_session(page)
    session.on("HeapProfiler.addHeapSnapshotChunk", lambda event: chunks.append(event["chunk"]))
    session.send("HeapProfiler.enable")
    session.send("HeapProfiler.takeHeapSnapshot", {"reportProgress": False})
    session.detach()
    return "".join(chunks)


def start_emergency_here(page: Page) -> None:
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()


def test_a_tablet_is_locked_and_opened_and_a_live_case_stays(server: UnitServer, new_device):
    """[SEC-10] [SEC-11] [SEC-13] [HAZ-28] One tablet from its first PIN to an emergency."""
    # given: a tablet that has joined; nothing is shown before somebody has a PIN
    server.crura(
        "load-scenario", str(ROOT / "seed_scenarios/00_unit.json"), "--as-if-today", "today"
    )
    server.start()
    tablet = new_device("tablet")
    page = tablet.start(server.invite("bedside"))
    case.press(page, "Join as this device")
    people = page.locator("[data-first-person] [data-people]")
    people.get_by_role("button", name=re.compile(FIRST)).click()
    expect(page.locator("[data-status=lock]")).to_have_count(0)
    case.enter_pin(page, "123456")
    says(page, "among the first that anybody would try")
    case.enter_pin(page, case.PIN)
    case.expect_to_be_asked_again(page)
    case.enter_pin(page, WRONG)
    says(page, "Two different PINs")
    case.enter_pin(page)
    case.expect_to_be_asked_again(page)
    case.enter_pin(page)
    expect(page.locator("[data-status=who-taps]")).to_contain_text(FIRST)
    case.add_patient_and_case(page, OTHER_PATIENT, GIVEN_NAME)
    assert GIVEN_NAME in read_heap(page)

    # when: it is locked, and somebody tries PINs, over a kill of the browser
    lock(page)
    assert GIVEN_NAME not in read_heap(page)
    expect(page.locator("[data-locked]")).not_to_contain_text(OTHER_PATIENT)
    page.locator("[data-people] button").click()
    case.enter_pin(page, WRONG)
    says(page, "19 tries are left")
    tablet.kill()
    page = tablet.start(server.address)
    page.locator("[data-locked] [data-people] button").click()
    case.enter_pin(page, WRONG)
    says(page, "18 tries are left")
    case.enter_pin(page)

    # then: the right PIN opens it; a live case needs none after a kill, and shows nothing else
    expect(page.locator("[data-status=patient]")).to_contain_text(OTHER_PATIENT)
    case.go(page, "Cases")
    start_emergency_here(page)
    first = case.ask(page)
    case.primary(page).click()
    expect(page.locator("h1.ask")).not_to_have_text(first)
    case.wait_for_redraw(page, first)
    asked = case.ask(page)
    tablet.kill()
    page = tablet.start(server.address)
    expect(page.locator("h1.ask")).to_have_text(asked)
    expect(page.locator("[data-narrow]")).to_be_visible()
    case.go(page, "Cases")
    expect(page.locator("[data-others-locked]")).to_be_visible()
    expect(page.locator("body")).not_to_contain_text(OTHER_PATIENT)
    # Nor does About let them out: no file of the records, and no list of names (caught so).
    case.go(page, "About")
    expect(page.locator("[data-records-closed]")).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("Save to file|Open file"))).to_have_count(0)
    expect(page.locator("body")).not_to_contain_text(OTHER_PATIENT)
    case.go(page, "Cases")
    page.get_by_role("button", name="Back to the case").click()
    expect(page.locator("h1.ask")).to_have_text(asked)
    case.go(page, "Cases")
    page.locator("[data-others-locked] [data-people] button").click()
    case.enter_pin(page)
    expect(page.locator("main")).to_contain_text(OTHER_PATIENT)

    # when: a file of everything is saved; then: it says what that means, and asks for a PIN first
    case.go(page, "About")
    case.press(page, "Save to file: everything here")
    sheet = page.get_by_role("dialog", name="Save to file: everything here")
    expect(sheet).to_contain_text("The file is not encrypted")
    sheet.locator("[data-people] button").click()
    case.enter_pin(page, WRONG)
    says(page, "19 tries are left")
    expect(page.locator("main")).not_to_contain_text("put in the file")
    with page.expect_download() as saved:
        case.enter_pin(page)
    assert GIVEN_NAME.encode() in Path(saved.value.path()).read_bytes()
    expect(page.locator("main")).to_contain_text("put in the file")
    case.go(page, "Cases")

    # when: it is locked by hand in the live case, and bleeding comes before anybody has a PIN
    page.locator("[data-status=lock]").click()
    expect(page.get_by_role("dialog", name="Lock")).to_contain_text("A case is live here")
    page.get_by_role("button", name="Lock now").click()
    expect(page.locator("[data-locked]")).to_be_visible()
    page.get_by_role("button", name="Emergency: new case").click()
    page.get_by_role("button", name="Start emergency case now").click()

    # then: two taps lead to a case that can be recorded; nothing older is shown, also after a kill
    expect(page.locator("h1.ask")).to_be_visible()
    case.primary(page).click()
    case.wait_for_redraw(page, "")
    tablet.kill()
    page = tablet.start(server.address)
    expect(page.locator("[data-emergency]")).to_be_visible()
    case.go(page, "Cases")
    expect(page.locator("main")).to_contain_text("Emergency")
    expect(page.locator("main")).not_to_contain_text(OTHER_PATIENT)

    # when: somebody unlocks the tablet; then: all three cases are in one list, and at the unit
    page.locator("[data-status=lock]").click()
    lock_now = page.get_by_role("button", name="Lock now")
    lock_now.or_(page.locator("[data-locked]")).first.wait_for()
    if lock_now.count() > 0:
        lock_now.click()
    case.unlock(page, FIRST)
    expect(page.locator("[data-status=unsent]")).to_be_visible()
    case.go(page, "Cases")
    expect(page.locator("main")).to_contain_text(OTHER_PATIENT)
    expect(page.locator("main").get_by_text(re.compile(r"^Emergency \d\d:\d\d"))).to_have_count(2)
    case.wait_until_sent(page)
    assert tablet.problems == []
