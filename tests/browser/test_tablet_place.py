"""The tablet itself: hands, pedal, sounds, wipe lock, check before use, where a case is.

Plays the built app. Cites UX-06, UX-07, UX-13, UX-23, HAZ-18, HAZ-19, HAZ-23, HAZ-24,
HAZ-37 and SOFT-08 to SOFT-10.
"""

import random
import re
import time

import pytest
from playwright.sync_api import CDPSession, Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES
from tests.browser.measures import find_faults, read_screen
from tests.browser.tablet_unit import Tablet, row
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

AXE = (ROOT / "pwa/node_modules/axe-core/axe.min.js").read_text(encoding="utf-8")
BLOOD_ASK, GATE_ASK = "Does blood come back?", "What comes next?"


@pytest.fixture(scope="module")
def tablet(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright):
    one = Tablet(playwright_driver, tmp_path_factory.mktemp("tablet"))
    yield one
    one.stop()


def status(page: Page, name: str) -> Locator:
    return page.locator(f"[data-status={name}]")


def let_storage_be_kept(tablet: Tablet) -> None:
    """Answer as a browser does whose app is installed, and press for it."""
    browser = tablet.page.context.browser
    assert browser is not None
    browser.new_browser_cdp_session().send(
        "Browser.grantPermissions",
        {
            "origin": tablet.server.address,
            # What is not named here is refused from then on.
            "permissions": ["durableStorage", "wakeLockScreen"],
        },
    )
    case.press(tablet.page, "Ask to keep storage")


# The place itself


def test_the_check_before_use_tells_each_thing_and_is_noted_for_the_day(tablet: Tablet):
    """[HAZ-37] [SOFT-08] [SOFT-09] Rows with a state word each; noted with its open points."""
    page = tablet.page
    case.wait_until_sent(page)
    case.go(page, "This tablet")
    expect(page.locator("[data-check]")).to_have_count(12)
    # Headless Chromium refuses to keep storage until it is allowed to.
    expect(row(page, "storage")).to_have_attribute("data-standing", "look")
    for name in ("room", "store", "key", "clock", "exchange", "build"):
        expect(row(page, name)).to_have_attribute("data-standing", "good")
    expect(row(page, "clock")).to_contain_text("as the unit has it")
    expect(row(page, "installed")).to_have_attribute("data-standing", "look")

    let_storage_be_kept(tablet)
    expect(row(page, "storage")).to_have_attribute("data-standing", "good")

    case.press(page, "Play the four sounds")
    expect(page.locator("[data-cue]")).to_have_attribute("data-cue", "recorded")
    expect(row(page, "sound")).to_have_attribute("data-standing", "good")

    expect(page.locator("[data-noted]")).to_have_text("Not noted on this tablet yet.")
    case.press(page, "Note: 1 open point")
    expect(page.locator("[data-noted]")).to_contain_text("by Dr Otis")
    page.reload()
    case.come_back(page)
    expect(page.locator("[data-noted]")).to_contain_text("1 open point")


def test_axe_finds_nothing_serious_and_nothing_scrolls_sideways(tablet: Tablet):
    """[UX-18] This tablet and the wipe lock are named; nothing is wider than the screen."""
    page = tablet.page
    case.go(page, "This tablet")
    expect(page.locator("[data-check]")).to_have_count(12)
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        faults = find_faults(read_screen(page), wants_primary=False)
        assert [one for one in faults.targets if "covered" not in one] == []
        assert faults.contrast == []
        assert page.evaluate("document.documentElement.scrollHeight") <= height
    width, height = SIZES["tall"]
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate(AXE)
    found = page.evaluate("() => axe.run(document, { resultTypes: ['violations'] })")
    bad = [one["id"] for one in found["violations"] if one["impact"] in ("serious", "critical")]
    assert bad == []


def test_a_pedal_is_learned_kept_and_refused_where_it_means_the_other_act(tablet: Tablet):
    """[UX-07] The key is shown by name with its act; a learned one outlives a restart."""
    page = tablet.page
    case.go(page, "This tablet")
    heard = page.locator("[data-pedal]")
    # The place is read when it is first gone to: a key before that is nobody's.
    expect(heard).to_be_visible()
    page.keyboard.press("PageDown")
    expect(heard).to_contain_text("Key: PageDown")
    expect(heard).to_contain_text("Does: primary action")
    expect(row(page, "pedal")).to_contain_text("heard PageDown")
    page.keyboard.press("PageUp")
    expect(heard).to_contain_text("Does: back a view")

    case.press(page, "Learn: primary action")
    page.keyboard.press("ArrowLeft")
    expect(heard).to_contain_text('NOT SAVED. "ArrowLeft" means back already. Press another key.')
    page.keyboard.press("b")
    expect(heard).to_contain_text('Saved. "b" is learned.')
    case.press(page, "Learn: back a view")
    # Some page turners send an empty key and tell only the code.
    page.evaluate("""() => window.dispatchEvent(new KeyboardEvent('keydown',
        { key: '', code: 'F14', bubbles: true, cancelable: true }))""")
    expect(heard).to_contain_text('Saved. "F14" is learned.')
    case.press(page, "Learn: back a view")
    page.keyboard.press("b")
    expect(heard).to_contain_text('NOT SAVED. "b" means the primary action already.')
    case.press(page, "Stop learning")
    page.reload()
    case.come_back(page)
    expect(page.locator("[data-learned=primary]")).to_have_text("b")
    expect(page.locator("[data-learned=back]")).to_have_text("F14")


# A case at the bedside


@pytest.fixture(scope="module")
def bedside(tablet: Tablet) -> Page:
    """A case in procedure, at its second step; the pedal key "b" is learned, the check noted."""
    page = tablet.page
    case.go(page, "This tablet")
    if "Not noted" in page.locator("[data-noted]").inner_text():
        let_storage_be_kept(tablet)
        case.press(page, "Note: ")
    if page.locator("[data-learned=primary]").inner_text() != "b":
        case.press(page, "Learn: primary action")
        page.keyboard.press("b")
        expect(page.locator("[data-learned=primary]")).to_have_text("b")
    case.go(page, "Cases")
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    case.fill_plan(page)
    case.go(page, "Procedure")
    expect(page.get_by_text("Press the digits from the wristband.")).to_be_visible()
    # The check was noted today, and the storage is kept: nothing is said of the tablet.
    expect(page.locator("[data-not-checked]")).to_have_count(0)
    expect(page.locator("[data-gate='SOFT-09']")).to_have_count(0)
    case.confirm_identity(page)
    expect(case.primary(page)).to_be_visible()
    case.wait_for_redraw(page, "")
    case.wait_until_sent(page)
    return page


def test_the_status_line_tells_all_six_and_where_the_case_is(bedside: Page, tablet: Tablet):
    """[UX-23] [HAZ-18] Patient, step, unsent, battery, screen, who taps: on Procedure and after."""
    expect(status(bedside, "patient")).to_contain_text("Quillmere")
    expect(status(bedside, "step")).not_to_be_empty()
    expect(status(bedside, "battery")).to_contain_text("Battery")
    expect(status(bedside, "screen")).to_have_text("Screen kept on")
    expect(status(bedside, "who-taps")).to_contain_text("Otis")
    expect(status(bedside, "reached")).to_have_text("Record at the unit")
    tablet.server.stop()
    now = case.ask(bedside)
    case.primary(bedside).click()
    # First: its words stand for a moment only.
    expect(bedside.locator("[data-cue]")).to_have_attribute("data-cue", re.compile("recorded|sync"))
    case.wait_for_redraw(bedside, now)
    expect(status(bedside, "reached")).to_have_text("Record on this tablet")
    expect(status(bedside, "unsent")).to_contain_text("unsent, under 1 min")
    case.go(bedside, "Workup")
    for name in ("patient", "unsent", "battery", "screen", "who-taps"):
        expect(status(bedside, name)).not_to_be_empty()
    expect(status(bedside, "screen")).to_have_text("Screen may sleep")
    case.go(bedside, "Cases")
    # Other tests may have left the case untouched for two minutes.
    case.come_back(bedside)
    where = bedside.locator("[data-case]").filter(has_text="Quillmere").locator("[data-reached]")
    expect(where).to_have_text("On this tablet")
    tablet.server.start()
    bedside.evaluate("window.dispatchEvent(new Event('online'))")
    expect(where).to_have_text("At the unit", timeout=40_000)
    bedside.locator("[data-case]").filter(has_text="Quillmere").first.click()
    expect(case.primary(bedside)).to_be_visible()


def test_a_lost_screen_lock_is_asked_for_again_within_a_second_of_return(bedside: Page):
    """[HAZ-18] Hidden, the lock goes; seen again, it is back within 1 s and the line says so."""
    expect(status(bedside, "screen")).to_have_text("Screen kept on")
    other = bedside.context.new_page()
    other.bring_to_front()
    time.sleep(0.5)
    bedside.bring_to_front()
    other.close()
    expect(status(bedside, "screen")).to_have_text("Screen kept on", timeout=1_000)


def boxes(page: Page) -> dict[str, dict[str, float]]:
    found = {}
    for name, where in {
        "primary": "[data-primary] button",
        "undo": "[data-undo] button",
        "wipe": ".foot > button",
        "event": ".ever button:nth-of-type(2)",
    }.items():
        box = page.locator(where).bounding_box()
        assert box is not None, name
        found[name] = {**box, "middle": box["x"] + box["width"] / 2}
    return found


def test_both_hands_have_the_same_reach_with_undo_and_side_acts_on_other_edges(bedside: Page):
    """[UX-01] [UX-02] [UX-06] [UX-25] Measured at three sizes for both hands.

    Caught: the left hand without its rule for the wide screen, where undo stayed at its edge.
    """
    page = bedside
    measured: dict[tuple[str, str], dict[str, dict[str, float]]] = {}
    for hand in ("right", "left"):
        case.go(page, "Cases")
        case.go(page, "This tablet")
        case.answer(page, "Which hand taps?", f"{hand.title()} hand")
        case.go(page, "Cases")
        page.locator("[data-case]").filter(has_text="Quillmere").first.click()
        expect(page.locator("[data-undo] button")).to_be_visible()
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            page.evaluate("() => new Promise(done => requestAnimationFrame(() => done()))")
            faults = find_faults(read_screen(page), wants_primary=True)
            assert faults.targets == [], f"{hand}, {size}: {faults.targets}"
            assert faults.edges == [], f"{hand}, {size}: {faults.edges}"
            measured[hand, size] = boxes(page)
    page.set_viewport_size({"width": SIZES["tall"][0], "height": SIZES["tall"][1]})
    for size, (width, height) in SIZES.items():
        right, left = measured["right", size], measured["left", size]
        for hand in (right, left):
            assert hand["primary"]["y"] >= height * 2 / 3
            apart = hand["primary"]["y"] - hand["undo"]["y"] - hand["undo"]["height"]
            assert apart >= 256, f"{size}: undo and record are {apart:.0f} px apart"
        assert right["undo"]["middle"] < width / 2 < left["undo"]["middle"], size
        far = left["undo"]["x"] + left["undo"]["width"]
        assert abs((width - far) - right["undo"]["x"]) <= 1, f"{size}: undo is off its edge"
        assert right["wipe"]["middle"] < right["primary"]["middle"], size
        assert left["wipe"]["middle"] > left["primary"]["middle"], size
        if size != "desk":
            assert left["event"]["middle"] < width / 2 < right["event"]["middle"], size


def touch(session: CDPSession, kind: str, points: list[tuple[int, float, float]]) -> None:
    session.send(
        "Input.dispatchTouchEvent",
        {"type": kind, "touchPoints": [{"id": one, "x": x, "y": y} for one, x, y in points]},
    )


def rub(session: CDPSession, chance: random.Random, rounds: int, size: tuple[int, int]) -> int:
    """Touch at two to five places at once, slide, and lift; return how many touches there were."""
    width, height = size
    made = 0
    for _ in range(rounds):
        points = [
            (one, chance.uniform(1, width - 1), chance.uniform(1, height - 1))
            for one in range(chance.randint(2, 5))
        ]
        for count in range(1, len(points) + 1):
            touch(session, "touchStart", points[:count])
        for _ in range(2):
            points = [
                (one, chance.uniform(1, width - 1), chance.uniform(1, height - 1))
                for one, _, _ in points
            ]
            touch(session, "touchMove", points)
        touch(session, "touchEnd", [])
        made += len(points)
    return made


def acts(page: Page) -> list[str]:
    return page.locator("[data-act]").evaluate_all("all => all.map((one) => one.dataset.act)")


def test_a_learned_pedal_key_passes_no_gate_and_undoes_nothing(bedside: Page):
    """[HAZ-23] 200 keys, a learned one among them, at the missing blood return."""
    page = bedside
    case.pass_steps(page, "Is consent signed") if "identity" in case.ask(page).lower() else None
    now = case.ask(page)
    page.keyboard.press("b")
    case.wait_for_redraw(page, now)
    assert case.ask(page) != now, "the learned key pressed nothing"
    case.pass_steps(page, BLOOD_ASK)
    page.keyboard.press("b")
    time.sleep(0.5)
    assert BLOOD_ASK in case.ask(page), "a pedal answered whether blood came back"
    case.press(page, "No blood return", exact=True)
    expect(page.locator("h1.ask")).to_have_text(GATE_ASK)
    chance = random.Random(23)
    asks = set()
    struck = page.locator("li.struck").count()
    for turn in range(200):
        if turn % 20 == 0 and page.locator("[data-undo] button").count():
            page.locator("[data-undo] button").focus()
        page.keyboard.press(chance.choice(["b", "b", "b", "Enter", "PageDown", "PageUp", "Space"]))
        asks.add(case.ask(page))
        words = page.locator("main button").all_inner_texts()
        assert not any("Inject adhesive" in one for one in words)
        time.sleep(chance.choice((0, 0, 0.05)))
    assert page.locator("li.struck").count() == struck
    assert len(asks) > 1, "the keys pressed nothing"
    assert page.locator("[data-timer]").count() == 0


def test_a_wiped_screen_records_nothing_and_shows_the_running_time(bedside: Page, tablet: Tablet):
    """[HAZ-24] [HAZ-17] 60 rubs of two to five fingers and 40 keys: 0 operations; 1 s leaves.

    Shown to fail: rubbing the open screen beforehand is counted by the same look at the acts.
    """
    page = bedside
    if BLOOD_ASK in case.ask(page):
        case.press(page, "No blood return", exact=True)
        expect(page.locator("h1.ask")).to_have_text(GATE_ASK)
        case.wait_for_redraw(page, "")
    case.pass_steps(page, BLOOD_ASK)
    case.pass_steps(page, "Inject slowly")
    case.primary(page).click()
    timer = page.locator("[data-timer]")
    expect(timer).to_be_visible()
    case.wait_until_sent(page)
    time.sleep(1)
    before, address = acts(page), page.evaluate("location.hash")
    tablet.server.stop()

    case.press(page, "Wipe screen")
    cover = page.locator("[data-wipe]")
    expect(cover).to_be_visible()
    first = seconds(cover.get_by_role("timer").inner_text())
    session = page.context.new_cdp_session(page)
    assert rub(session, random.Random(24), 60, SIZES["tall"]) >= 120
    for key in ["Enter", "Space", "PageDown", "b"] * 10:
        page.keyboard.press(key)
    # One short touch on the spot, and one long beside it.
    spot = page.locator("[data-hold]").bounding_box()
    assert spot is not None
    x, y = spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2
    touch(session, "touchStart", [(1, x, y)])
    time.sleep(0.7)
    touch(session, "touchEnd", [])
    touch(session, "touchStart", [(1, 200, 300)])
    time.sleep(1.3)
    touch(session, "touchEnd", [])
    expect(cover).to_be_visible()
    assert seconds(cover.get_by_role("timer").inner_text()) > first + 1
    assert case.count_unsent(page) == 0
    assert page.evaluate("location.hash") == address

    touch(session, "touchStart", [(1, x, y)])
    expect(cover).to_contain_text("Let go")
    touch(session, "touchEnd", [])
    expect(cover).to_have_count(0)
    expect(timer).to_be_visible()
    assert acts(page) == before
    assert case.count_unsent(page) == 0
    # Open again, it records: the same look sees it.
    time.sleep(0.8)
    case.let_time_pass(page)
    case.primary(page).click()
    expect(timer).to_have_count(0)
    expect(status(page, "unsent")).not_to_have_attribute("data-unsent", "0")
    tablet.server.start()
    page.evaluate("window.dispatchEvent(new Event('online'))")
    case.wait_until_sent(page)


def seconds(shown: str) -> int:
    numbers = [int(part) for part in re.findall(r"\d+", shown)]
    return numbers[0] if len(numbers) == 1 else numbers[0] * 60 + numbers[1]


def test_with_sound_suspended_the_cue_is_shown_within_a_tenth_and_the_silence_is_told(
    bedside: Page,
):
    """[HAZ-19] The browser's sound is held back; words come all the same, within 100 ms."""
    page = bedside
    page.add_init_script(
        """
        AudioContext.prototype.resume = () => new Promise(() => {});
        Object.defineProperty(AudioContext.prototype, 'state', { get: () => 'suspended' });"""
    )
    page.reload()
    case.come_back(page)
    expect(case.primary(page)).to_be_visible()
    edge = page.locator("[data-edge=standing]")
    expect(edge).to_contain_text("No sound: see This tablet")
    page.locator("h1").click()
    expect(edge).to_contain_text("No sound: see This tablet")
    page.evaluate("""() => {
      window.times = {};
      const note = (name, where) => new MutationObserver(() => {
        if (document.querySelector(where)) window.times[name] ??= performance.now();
      }).observe(document.body, { subtree: true, childList: true, attributes: true });
      const before = document.querySelector('[data-undo]')?.dataset.act;
      note('cue', '[data-cue=recorded]');
      note('act', `[data-undo]:not([data-act='${before}'])`);
    }""")
    now = case.ask(page)
    if case.primary(page).is_disabled():
        case.supply_what_is_missing(page, case.primary(page).inner_text())
    if case.primary(page).inner_text().startswith("Start "):
        # A timer starts first; its stop is the act.
        case.primary(page).click()
        expect(page.locator("[data-timer]")).to_be_visible()
        case.let_time_pass(page)
        time.sleep(1)
    case.primary(page).click()
    case.wait_for_redraw(page, now)
    page.wait_for_function("() => 'cue' in window.times && 'act' in window.times")
    times = page.evaluate("window.times")
    assert abs(times["cue"] - times["act"]) <= 100, times
    expect(page.locator("[data-cue]")).to_have_attribute("data-cue", "", timeout=4_000)
    expect(edge).to_contain_text("No sound: see This tablet")


def test_a_low_battery_and_a_screen_that_may_sleep_are_told_on_every_place(bedside: Page):
    """[SOFT-10] [HAZ-18] Below 20 % and not charging; a browser without a screen lock."""
    page = bedside
    page.add_init_script(
        """
        const battery = Object.assign(new EventTarget(), { level: 0.19, charging: false });
        Object.defineProperty(Navigator.prototype, 'getBattery', { value: async () => battery });
        delete Navigator.prototype.wakeLock;
        window.charge = () => {
          battery.charging = true;
          battery.dispatchEvent(new Event('chargingchange'));
        };"""
    )
    page.reload()
    case.come_back(page)
    expect(case.primary(page)).to_be_visible()
    expect(status(page, "battery")).to_contain_text("Battery 19 %: plug in")
    expect(status(page, "screen")).to_have_text("Screen may sleep")
    case.go(page, "Cases")
    case.come_back(page)
    expect(status(page, "battery")).to_contain_text("Battery 19 %: plug in")
    case.go(page, "This tablet")
    expect(row(page, "battery")).to_have_attribute("data-standing", "look")
    expect(row(page, "battery")).to_contain_text("Plug the tablet in.")
    expect(row(page, "screen")).to_have_attribute("data-standing", "look")
    page.evaluate("window.charge()")
    expect(status(page, "battery")).to_have_text("Battery 19 %, charging")
    expect(row(page, "battery")).to_have_attribute("data-standing", "good")


# A new build during a live case
