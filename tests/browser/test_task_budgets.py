"""How many touches each job takes, counted on the built app.

The budgets are those of TASK-01 to TASK-16, TASK-20 and TASK-21. A touch is a pointer that goes
down on the page; a hold is one. Not counted here: the six digits of TASK-01, since nobody has a
code of their own yet; the scan of TASK-08, which `test_scanning.py` counts; TASK-17 and TASK-18,
which `test_clerk_desk.py` counts; TASK-19, which `test_implants.py` counts.
"""

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild
from tests.browser.tap_counter import read_touches, start_counting
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

# Touches, as the requirement of each task has them.
BUDGETS = {
    "TASK-01 back to the live case after a restart": 0,
    "TASK-02 emergency start to the first recordable act": 2,
    "TASK-03 start a listed patient, identity entered again": 10,
    "TASK-04 enter a diameter of 14 mm": 4,
    "TASK-05 see the plan after the last input": 0,
    "TASK-06 record a coil as planned": 1,
    "TASK-07 record a coil of another size": 3,
    "TASK-08 press a lot for the open package": 3,
    "TASK-09 undo the last act": 1,
    "TASK-10 start the timer": 1,
    "TASK-10 stop the timer": 1,
    "TASK-11 record adhesive as planned": 1,
    "TASK-11 record another amount of adhesive": 4,
    "TASK-12 pass a hard gate with its reason": 3,
    "TASK-13 record an event": 3,
    "TASK-14 change who taps": 2,
    "TASK-15 close with counts, outcome and follow-up": 8,
    "TASK-16 find any patient, beside six characters": 3,
    "TASK-20 settle one conflict": 4,
    "TASK-21 enrol a tablet, with who taps": 12,
}
# Booked for tomorrow, the case closed: found by name alone.
FOUND = "Saltmarsh"
CHARACTERS = 6


@dataclass
class Counted:
    """Touches by task, in the order in which they were done."""

    touches: dict[str, int] = field(default_factory=dict)

    @contextmanager
    def task(self, page: Page, name: str) -> Iterator[None]:
        start_counting(page)
        before = count_touches(page)
        yield
        self.touches[name] = count_touches(page) - before


def count_touches(page: Page) -> int:
    """Count what a budget is about: a PIN is pressed beside it (HAZ-25, HAZ-28)."""
    return sum(not touch.is_pin for touch in read_touches(page))


def ready(page: Page) -> None:
    """Wait until a press counts again."""
    expect(page.locator("[data-primary].waiting")).to_have_count(0)
    time.sleep(0.8)


def go_to_step(page: Page, until: str, *, has_blood: bool = True) -> None:
    instead = None if has_blood else {"Does blood come back?": "No blood return"}
    case.pass_steps(page, until, instead=instead)
    ready(page)


def do_bedside(page: Page, counted: Counted) -> None:
    with counted.task(page, "TASK-03 start a listed patient, identity entered again"):
        page.locator("[data-case]").filter(has_text="Quillmere").click()
        if (
            page.locator("[data-primary]").count() == 0
            and not page.get_by_role("button", name="7", exact=True).count()
        ):
            case.go(page, "Procedure")
        for digit in "1968088":
            page.get_by_role("button", name=digit, exact=True).first.click()
        expect(page.locator("[data-primary]")).to_be_visible()
    ready(page)

    with counted.task(page, "TASK-14 change who taps"):
        case.choose_who_taps(page, "Wren")
    go_to_step(page, "What comes next?", has_blood=False)

    with counted.task(page, "TASK-12 pass a hard gate with its reason"):
        case.press(page, "Go on without blood return")
        sheet = page.get_by_role("dialog")
        sheet.get_by_role("button", name="Tip clearly seen").click()
        sheet.get_by_role("button", name=re.compile("^Hold 1 s")).click(delay=1_100)
        case.confirm_by_pin(page)
        expect(page.locator("[data-gate=BLOOD-RETURN]")).to_have_count(0)
    ready(page)
    go_to_step(page, "Which package is open")

    with counted.task(page, "TASK-08 press a lot for the open package"):
        lots = page.get_by_role("group", name="Lot", exact=True)
        lots.get_by_role("button").first.click()
        case.primary(page).click()
        expect(page.locator("[data-act]").first).to_contain_text("package", ignore_case=True)
    ready(page)
    go_to_step(page, "Has the coil formed")

    with counted.task(page, "TASK-06 record a coil as planned"):
        case.primary(page).click()
        expect(page.locator("[data-tally=coils]")).to_have_text("1")
    ready(page)

    with counted.task(page, "TASK-09 undo the last act"):
        page.locator("[data-undo]").get_by_role("button").click()
        expect(page.locator("[data-tally=coils]")).to_have_text("0")
    ready(page)
    go_to_step(page, "Flushed and patent")

    with counted.task(page, "TASK-13 record an event"):
        case.press(page, "Record event", exact=True)
        page.get_by_role("dialog").get_by_role("button", name="Bleeding", exact=True).click()
        expect(page.locator("[data-act]").first).to_contain_text("bleeding", ignore_case=True)
    ready(page)
    go_to_step(page, "Which package is open")

    with counted.task(page, "TASK-07 record a coil of another size"):
        case.press(page, "Other coil")
        page.get_by_role("dialog").locator("fieldset button").last.click()
        case.primary(page).click()
        expect(page.locator("[data-act]").first).to_contain_text("package", ignore_case=True)
    ready(page)
    go_to_step(page, "Inject slowly")

    with counted.task(page, "TASK-10 start the timer"):
        case.primary(page).click()
        expect(page.get_by_role("timer")).to_be_visible()
    ready(page)
    case.let_time_pass(page)
    with counted.task(page, "TASK-10 stop the timer"):
        case.primary(page).click()
        expect(page.locator("h1.ask")).to_contain_text("Push the adhesive out")
    # The same press has recorded the planned amount.
    counted.touches["TASK-11 record adhesive as planned"] = counted.touches[
        "TASK-10 stop the timer"
    ]
    ready(page)
    go_to_step(page, "What comes next?")

    case.press(page, "Another aliquot", exact=True)
    ready(page)
    case.primary(page).click()
    ready(page)
    with counted.task(page, "TASK-11 record another amount of adhesive"):
        case.press(page, "Less:")
        case.primary(page).click()
        expect(page.get_by_role("timer")).to_be_visible()
        ready(page)
        # Stopped early: what was given is asked, a touch more and still within the budget.
        case.primary(page).click()
        expect(page.locator("h1.ask")).to_contain_text("Stopped early")
        ready(page)
        case.primary(page).click()
        expect(page.locator("h1.ask")).to_contain_text("Push the adhesive out")
    ready(page)
    case.pass_steps(page, "All steps passed")
    case.primary(page).click()
    expect(page.get_by_role("heading", name="Close-out")).to_be_visible()


def close(page: Page, counted: Counted) -> None:
    """Counts agree already; the flow stands there from the last Doppler."""
    with counted.task(page, "TASK-15 close with counts, outcome and follow-up"):
        case.answer(page, "Technical success", "Yes")
        case.press(page, "Make the plan")
        page.get_by_role("button", name=re.compile("^Make this plan")).click()
        expect(page.get_by_text("Plan saved.").first).to_be_visible()
        case.go(page, "Close-out")
        sign = page.locator("section", has=page.get_by_role("heading", name="Sign", exact=True))
        sign.get_by_role("button", name=re.compile("Wren")).click()
        hold = sign.get_by_role("button", name=re.compile("^Hold 1 s: sign"))
        hold.scroll_into_view_if_needed()
        hold.click(delay=1_400)
        case.confirm_by_pin(page)
        expect(page.get_by_text("Nothing has changed since.")).to_be_visible()


def find_and_settle(page: Page, counted: Counted) -> None:
    """Find somebody whose case is closed, then settle the conflict of the stories."""
    expect(page.locator("[data-case]").first).to_be_visible()
    with counted.task(page, "TASK-16 find any patient, beside six characters"):
        page.get_by_role("searchbox").click()
        page.keyboard.type(FOUND[:CHARACTERS].lower(), delay=20)
        page.locator("[data-case]").filter(has_text=FOUND).first.click()
        expect(page.locator("[data-status=patient]")).to_contain_text(FOUND)
    case.go(page, "Cases")
    with counted.task(page, "TASK-20 settle one conflict"):
        case.go(page, "Decisions")
        answers = page.get_by_role("button", name=re.compile("01632 "))
        expect(answers).to_have_count(2)
        answers.first.click()
        case.press(page, "Asked the patient")
        expect(answers).to_have_count(0)


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Counted:
    folder: Path = tmp_path_factory.mktemp("tasks")
    server = ServedBuild(folder)
    stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
    server.crura("load-scenario", *stories, "--as-if-today", "today")
    server.start()
    (folder / "profile").mkdir()
    device = Device(playwright_driver, folder / "profile", "tall")
    found = Counted()
    try:
        page = device.start(server.invite("bedside"))
        with found.task(page, "TASK-21 enrol a tablet, with who taps"):
            case.join(page, "Wren")
            case.choose_who_taps(page, "Otis")
        find_and_settle(page, found)
        case.go(page, "Cases")
        case.add_patient_and_case(page, "Quillmere", "Dorothea")
        case.fill_workup(page)
        case.go(page, "Plan")
        case.press(page, "Add a varix")
        with found.task(page, "TASK-04 enter a diameter of 14 mm"):
            case.enter_number(page, "Short axis", "14")
        expect(page.get_by_text("21 mm")).to_have_count(0)
        case.enter_plan(page)
        with found.task(page, "TASK-05 see the plan after the last input"):
            # Below the inputs on an upright tablet, beside them on a wide one: a look, no touch.
            expect(page.get_by_text("21 mm").first).to_be_visible()
        case.press(page, "Use this plan")
        expect(page.get_by_text("This plan is in use.")).to_be_visible()
        case.go(page, "Cases")
        do_bedside(page, found)
        close(page, found)
        case.go(page, "Cases")
        with found.task(page, "TASK-02 emergency start to the first recordable act"):
            case.press(page, "Emergency start", exact=True)
            case.press(page, "Start emergency case now")
            expect(case.primary(page)).to_be_enabled()
        device.kill()
        page = device.start(server.address)
        with found.task(page, "TASK-01 back to the live case after a restart"):
            expect(case.primary(page)).to_be_enabled()
    finally:
        device.kill()
        server.stop()
    return found


@pytest.mark.parametrize("task", list(BUDGETS))
def test_a_task_keeps_its_budget_of_touches(counted: Counted, task: str):
    """[TASK-01] to [TASK-16], [TASK-20] and [TASK-21].

    `test_the_counter_counts` shows that no touch is missed.
    """
    assert counted.touches[task] <= BUDGETS[task], counted.touches
    assert counted.touches[task] > 0 or BUDGETS[task] == 0, "nothing was touched"


def test_the_counter_counts(counted: Counted):
    """A counter that misses touches would keep every budget: these take exactly so many."""
    assert counted.touches["TASK-04 enter a diameter of 14 mm"] == 4
    assert counted.touches["TASK-12 pass a hard gate with its reason"] == 3
    assert counted.touches["TASK-13 record an event"] == 2
