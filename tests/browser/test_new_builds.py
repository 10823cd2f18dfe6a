"""A new build of the app in the middle of a live case: offered, and never let in before its end."""

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.served_build import build_changed_app
from tests.browser.tablet_unit import Tablet, row

pytestmark = pytest.mark.browser


@pytest.fixture
def updated(tmp_path: Path, playwright_driver: Playwright) -> Iterator[Tablet]:
    one = Tablet(playwright_driver, tmp_path)
    yield one
    one.stop()


def wait_until(page: Page, script: str, *, tries: int = 600) -> None:
    """Wait until a script of the page is true; a page that is being loaded anew is asked again."""
    for _ in range(tries):
        try:
            if page.evaluate(script):
                return
        except Exception:  # noqa: BLE001 - the page is being loaded anew
            time.sleep(0.1)
        time.sleep(0.1)
    raise AssertionError(f"never true: {script}")


def look_for_the_next_build(page: Page) -> None:
    """Let the browser look for another build, and wait until it has one ready."""
    page.evaluate(
        "async () => (await (await navigator.serviceWorker.getRegistration()).update()) && true"
    )
    waiting = "async () => (await navigator.serviceWorker.getRegistration()).waiting !== null"
    wait_until(page, waiting)


def begin_emergency_case(page: Page) -> None:
    """Start a case and answer its first step, until the unit has all of it."""
    case.go(page, "Cases")
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()
    first = case.ask(page)
    case.primary(page).click()
    expect(page.locator("h1.ask")).not_to_have_text(first)
    expect(page.locator("[data-undo] button")).to_be_visible()
    case.wait_until_sent(page)


def test_a_new_build_waits_through_a_live_case_and_comes_in_by_a_press(
    updated: Tablet, tmp_path: Path
):
    """[HAZ-27] Build N+1 is offered mid-case: no reload, the same build, until the case is closed.

    Caught: `skipWaiting: true` in vite.config.ts, by which the new build took the page over.
    """
    page, server = updated.page, updated.server
    (tmp_path / "next").mkdir()
    following = build_changed_app(tmp_path / "next", "About Crura", "About Crura, next")
    wait_until(page, "navigator.serviceWorker.controller !== null")
    case.go(page, "This tablet")
    build = re.findall(r"[0-9a-f]{12}", row(page, "build").inner_text())[0]
    begin_emergency_case(page)
    page.evaluate("window.sameLoad = true")

    # when: the unit serves the next build, and the browser finds it
    server.stop()
    server.serve_app(following)
    server.start()
    look_for_the_next_build(page)
    edge = page.locator("[data-edge=standing]")
    expect(edge).to_contain_text("Update ready, after this case", timeout=40_000)

    # then: the case goes on in the same page and build, wherever it is looked at from
    for _ in range(3):
        now = case.ask(page)
        if case.primary(page).is_disabled():
            case.supply_what_is_missing(page, case.primary(page).inner_text())
        case.primary(page).click()
        case.wait_for_redraw(page, now)
    case.go(page, "Cases")
    case.go(page, "This tablet")
    expect(row(page, "build")).to_contain_text(build)
    expect(row(page, "build")).to_contain_text("Update ready, after this case.")
    expect(row(page, "build").get_by_role("button")).to_have_count(0)
    assert page.evaluate("window.sameLoad") is True
    assert page.evaluate("fetch('/build.json').then((one) => one.json())") == {"build": build}
    page.reload()
    case.come_back(page)
    expect(row(page, "build")).to_contain_text(build)
    page.evaluate("window.sameLoad = true")

    # when: the case leaves the procedure
    case.go(page, "Cases")
    case.add_patient_and_case(page, "Tarnbrook", "Imre")
    case.go(page, "Procedure")
    case.press(page, "Move it to Close-out")
    expect(page.get_by_text("Press the digits from the wristband.")).to_be_visible()
    # Nobody has noted the check here, and the browser may clear the storage: both are told.
    expect(page.locator("[data-not-checked]")).to_be_visible()
    expect(page.locator("[data-gate='SOFT-09']")).to_be_visible()
    case.go(page, "Cases")
    case.go(page, "This tablet")

    # then: a press lets the next build in; nothing of the record is lost
    expect(edge).to_contain_text("Update ready: see This tablet")
    assert page.evaluate("window.sameLoad") is True
    # A busy browser may keep the old one for minutes; the page then begins anew by itself.
    case.press(page, "Update now")
    wait_until(page, "window.sameLoad !== true")
    case.come_back(page)
    expect(row(page, "build")).to_be_visible()
    expect(row(page, "build")).not_to_contain_text(build)
    expect(row(page, "build")).to_have_attribute("data-standing", "good")
    case.go(page, "About")
    expect(page.get_by_role("heading", name="About Crura, next")).to_be_visible()
    case.go(page, "Cases")
    expect(page.locator("[data-case]")).to_have_count(2)
    assert updated.device.problems == []


def test_a_kill_in_a_live_case_brings_back_the_build_it_began_with(updated: Tablet, tmp_path: Path):
    """[HAZ-27] [UX-15] Killed while build N+1 waits: the same build, the same step; N+1 after it.

    Caught: a service worker without `hold-build.js`, by which the case came back in build N+1.
    """
    page, server = updated.page, updated.server
    (tmp_path / "next").mkdir()
    following = build_changed_app(tmp_path / "next", "About Crura", "About Crura, next")
    wait_until(page, "navigator.serviceWorker.controller !== null")
    own = page.evaluate("fetch('/build.json').then((one) => one.json())")
    begin_emergency_case(page)
    asked = case.ask(page)
    wait_until(page, "caches.has('crura-live')")

    # when: build N+1 waits, and the tablet dies
    server.stop()
    server.serve_app(following)
    server.start()
    look_for_the_next_build(page)
    updated.device.kill()
    page = updated.page = updated.device.start(server.address)

    # then: N+1 may be the service worker now, and still the case goes on in its own build
    expect(page.locator("h1.ask")).to_have_text(asked)
    for _ in range(2):
        assert page.evaluate("fetch('/build.json').then((one) => one.json())") == own
        case.go(page, "Cases")
        case.come_back(page)
        case.go(page, "This tablet")
        expect(row(page, "build")).to_contain_text(own["build"])
        case.go(page, "Cases")
        page.reload()
        case.come_back(page)

    # when: the case leaves the procedure, the next build comes in
    case.add_patient_and_case(page, "Tarnbrook", "Imre")
    case.go(page, "Procedure")
    case.press(page, "Move it to Close-out")
    expect(page.get_by_text("Press the digits from the wristband.")).to_be_visible()
    case.go(page, "Cases")
    wait_until(page, "caches.has('crura-live').then((isLive) => !isLive)")
    wait_until(
        page,
        "fetch('/build.json').then((one) => one.json())"
        f".then((one) => one.build !== '{own['build']}')",
    )
    assert updated.device.problems == []
