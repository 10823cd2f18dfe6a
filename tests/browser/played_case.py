"""One case as a person taps it, from the first link to the plan of visits.

The browser tests and the pictures of the README play the same taps; nothing is called behind
the screens.
"""

import re
import time

from playwright.sync_api import Locator, Page, expect

LONGEST_PROCEDURE = 80
# How long the status line stays the same before its count is taken.
STILL_S = 0.5


def button(page: Page | Locator, words: str, *, exact: bool = False) -> Locator:
    """Return the first button that says the words."""
    name = words if exact else re.compile(re.escape(words))
    return page.get_by_role("button", name=name, exact=exact).first


def press(page: Page | Locator, words: str, *, exact: bool = False) -> None:
    button(page, words, exact=exact).click()


def answer(page: Page, question: str, words: str) -> None:
    """Press an answer of one question."""
    group = page.get_by_role("group", name=re.compile("^" + re.escape(question))).first
    group.get_by_role("button", name=re.compile("^" + re.escape(words))).first.click()


def enter_number(page: Page, field: str, digits: str) -> None:
    """Open a number and press its digits on our own pad."""
    button(page, field).click()
    pad = page.locator("[data-number-pad]")
    for digit in digits:
        pad.get_by_role(
            "button", name="Decimal point" if digit == "." else digit, exact=True
        ).click()
    assert page.evaluate("document.activeElement.tagName") != "INPUT", "a keyboard would open"
    pad.get_by_role("button", name=re.compile("^Enter")).click()
    expect(pad).to_have_count(0)


def go(page: Page, place: str) -> None:
    page.get_by_role("navigation").get_by_role("button", name=re.compile(place)).click()


# Digits without a pattern or a date, as the tablet asks for.
PIN = "407182"


def join(page: Page, first: str = "") -> None:
    """Join the unit; a listed person chooses the first PIN here."""
    press(page, "Join as this device")
    choose_first_pin(page, first)


def expect_to_be_asked_again(page: Page) -> None:
    """Wait for the second question of a first PIN: the pad takes no key while one is judged."""
    expect(page.locator("[data-pin-pad]").get_by_text("the same PIN again")).to_be_visible()


def choose_first_pin(page: Page, name: str = "") -> None:
    """Choose a PIN as a listed person of this name, unnamed where the unit lists nobody."""
    listed = page.locator("[data-first-person] [data-people] button", has_text=name)
    # Whether the unit lists nobody is known once it was heard.
    unlisted = page.locator("[data-first-person=heard]").get_by_role(
        "button", name=re.compile("^Nobody on the list")
    )
    listed.or_(unlisted).first.click()
    enter_pin(page)
    expect_to_be_asked_again(page)
    enter_pin(page)
    expect(page.locator("[data-status=unsent]")).to_be_visible()


def enter_pin(page: Page, pin: str = PIN) -> None:
    """Press a PIN on the pad that is on screen, in any language; its last key enters it."""
    pad = page.locator("[data-pin-pad]")
    for digit in pin:
        pad.get_by_role("button", name=digit, exact=True).click()
    pad.get_by_role("button").last.click()


def unlock(page: Page, name: str, pin: str = PIN) -> None:
    """Unlock a tablet that is locked."""
    page.locator("[data-locked] [data-people]").get_by_role(
        "button", name=re.compile(re.escape(name))
    ).click()
    enter_pin(page, pin)


def come_back(page: Page) -> None:
    """Wait until the app is drawn again; where it asks for a PIN, the first person gives it."""
    asked = page.locator("[data-locked], [data-others-locked]")
    page.locator("nav, main").first.wait_for()
    if asked.count() > 0:
        asked.locator("[data-people] button").first.click()
        enter_pin(page)
        expect(asked).to_have_count(0)
        page.locator("nav, main").first.wait_for()


def confirm_by_pin(page: Page) -> None:
    """Confirm by PIN; who has none here yet is vouched for by the first who has."""
    sheet = page.get_by_role("dialog", name="Confirm with your PIN")
    expect(sheet).to_be_visible()
    people = sheet.locator("[data-people] button")
    people.or_(sheet.locator("[data-pin-pad]")).first.wait_for()
    if people.count() > 0:
        people.first.click()
        enter_pin(page)
        # The tablet changes hands before any pad takes the new person's PIN.
        handed = sheet.locator("[data-hand-over]")
        expect(handed).to_contain_text("Hand the tablet to")
        expect(sheet.locator("[data-pin-pad]")).to_have_count(0)
        handed.get_by_role("button").click()
        expect(sheet.locator("[data-pin-pad]").get_by_text("choose your PIN")).to_be_visible()
        enter_pin(page)
        expect(sheet.locator("[data-pin-pad]").get_by_text("the same PIN again")).to_be_visible()
    enter_pin(page)
    expect(sheet).to_have_count(0)


def choose_who_taps(page: Page, name: str) -> None:
    page.locator("[data-status=who-taps]").click()
    press(page.get_by_role("dialog"), name)
    expect(page.locator("[data-status=who-taps]")).to_contain_text(name)


def add_patient_and_case(page: Page, family: str, given: str) -> None:
    press(page, "New case")
    page.get_by_label("Family name").fill(family)
    page.get_by_label("Given name").fill(given)
    page.get_by_label("Local number", exact=True).fill("TH-52088")
    answer(page, "Sex", "Female")
    for digit in "17041968":
        page.get_by_role("button", name=digit, exact=True).first.click()
    press(page, "Add patient, open case")
    expect(page.locator("[data-status=patient]")).to_contain_text(family)


def fill_workup(page: Page) -> None:
    go(page, "Workup")
    answer(page, "Indication", "Secondary prophylaxis")
    answer(page, "Varix class", "Unclassified")
    answer(page, "Right-to-left heart shunt", "No")
    answer(page, "Outflow shunt", "None seen")
    answer(page, "Allergies", "None known")
    answer(page, "Cause of portal hypertension", "Alcohol")
    press(page, "Liver")
    answer(page, "Ascites", "Mild")
    answer(page, "Encephalopathy", "None")
    answer(page, "Dialysis", "No")
    answer(page, "Numbers you enter now are", "Measured")
    for analyte, digits in (
        ("Bilirubin", "34.2"),
        ("Albumin", "35"),
        ("Creatinine", "88"),
        ("INR", "1.7"),
        ("Sodium", "130"),
    ):
        enter_number(page, analyte, digits)
    # Pugh 1973 (Br J Surg 60:646): 2 + 2 + 2 + 2 + 1; 34.2 umol/L is exactly 2.0 mg/dL.
    expect(page.get_by_text("Class B, 9 points")).to_be_visible()
    expect(page.get_by_text("MELD 3.0").first).to_be_visible()
    press(page, "Drugs")
    answer(page, "How urgent?", "Planned")
    answer(page, "Antithrombotic drugs taken", "Aspirin")
    answer(page, "Procedure date", "Today")
    expect(page.get_by_text("Aspirin: continue.").first).to_be_visible()
    press(page, "Airway, consent")
    answer(page, "Airway", "Intubation")
    answer(page, "Consent given", "Yes")
    answer(page, "Antibiotic given", "Yes")


def fill_plan(page: Page) -> None:
    go(page, "Plan")
    press(page, "Add a varix")
    fill_plan_of_first_target(page)


def fill_plan_of_first_target(page: Page) -> None:
    """Enter one varix of 14 mm, needle and adhesive, and use the plan."""
    enter_plan(page)
    # 23 mm measured less 2 mm: common practice, no source.
    expect(page.get_by_text("21 mm").first).to_be_visible()
    # Read first: a press before the last number is in it would use a plan without that number.
    expect(page.locator("[data-figure='Adhesive (pure)']")).to_contain_text("1 mL")
    press(page, "Use this plan")
    expect(page.get_by_text("This plan is in use.")).to_be_visible()


def enter_plan(page: Page) -> None:
    """Enter one varix of 14 mm, needle and adhesive."""
    answer(page, "Varix class", "Unclassified")
    enter_number(page, "Short axis", "14")
    enter_number(page, "Long axis", "22")
    enter_number(page, "Measured distance", "23")
    answer(page, "This size is", "Measured")
    answer(page, "Seen by", "Ultrasound")
    needles = page.get_by_role("group", name=re.compile("^Needle from the shelf"))
    needles.get_by_role("button", name=re.compile("19")).first.click()
    answer(page, "Adhesive", "2-Octyl cyanoacrylate")
    answer(page, "Adhesive to oil", "Pure, no oil")
    enter_number(page, "Adhesive (pure) planned", "1")


def confirm_identity(page: Page) -> None:
    go(page, "Procedure")
    for digit in "1968088":
        page.get_by_role("button", name=digit, exact=True).first.click()


def ask(page: Page) -> str:
    return page.locator("h1.ask").inner_text()


def primary(page: Page) -> Locator:
    return page.locator("[data-primary]").get_by_role("button")


def supply_what_is_missing(page: Page, words: str) -> None:
    """Give what the primary action waits for, by presses alone."""
    if "water" in words:
        enter_number(page, "Water in", "250")
    elif "distance" in words or "stop" in words:
        press(page, "As planned")
    elif "medium" in words or "flush" in words:
        press(page, "saline")
    elif "lot" in words:
        press(page, "Lot unknown")
    elif "coil" in words:
        page.get_by_role("group", name=re.compile("Coil")).get_by_role("button").first.click()
    else:
        raise AssertionError(f"The primary action waits for something unknown: {words}")


def pass_steps(page: Page, until: str, *, instead: dict[str, str] | None = None) -> list[str]:
    """Press the primary action until a step asks `until`; return what was pressed.

    ``instead`` names the button to press at a step that asks the key, once each.
    """
    pressed: list[str] = []
    other = dict(instead or {})
    for _ in range(LONGEST_PROCEDURE):
        now = ask(page)
        if until in now:
            return pressed
        found = next((key for key in other if key in now), None)
        if found is not None:
            press(page, other.pop(found), exact=True)
            pressed.append(f"{now} -> {found}")
        else:
            if primary(page).is_disabled():
                supply_what_is_missing(page, primary(page).inner_text())
            words = primary(page).inner_text()
            primary(page).click()
            pressed.append(words)
        wait_for_redraw(page, now)
    raise AssertionError(f"{until!r} was never asked; last: {ask(page)!r}, pressed {pressed[-5:]}")


def let_time_pass(page: Page, presses: int = 5) -> None:
    """Set the start of the running time back by 5 s a press: past half of an aliquot's 45 s."""
    for _ in range(presses):
        press(page, "Set start back 5 s")


def wait_for_redraw(page: Page, before: str) -> None:
    """Wait until the act is on screen and the lock-out after it has passed."""
    for turn in range(300):
        time.sleep(0.1)
        if page.locator("[data-primary].waiting").count() > 0:
            continue
        # A press that leaves the question, or counts for nothing, is waited for no longer.
        if turn >= 39 or page.locator("h1.ask").count() == 0 or ask(page) != before:
            break
    time.sleep(0.75)


def close_out(page: Page, signer: str) -> None:
    """Answer the outcome, the complications and the orders, and sign by holding for a second."""
    go(page, "Close-out")
    answer(page, "Technical success", "Yes")
    # Where the last Doppler saw no flow, the question is answered already.
    if page.locator("[data-flow-recorded]").count() == 0:
        answer(page, "Doppler flow at the end", "None")
    button(page, "None", exact=True)
    page.locator("section", has=page.get_by_role("heading", name="Complications")).get_by_role(
        "button", name="None", exact=True
    ).click()
    answer(page, "Nil by mouth", "4 h")
    answer(page, "Observation", "24 h")
    answer(page, "Antibiotic course", "Once only")
    sign = page.locator("section", has=page.get_by_role("heading", name="Sign", exact=True))
    sign.get_by_role("button", name=re.compile(signer)).click()
    hold = sign.get_by_role("button", name=re.compile("^Hold 1 s: sign"))
    hold.scroll_into_view_if_needed()
    hold.click(delay=1_400)
    confirm_by_pin(page)
    expect(page.get_by_text("Nothing has changed since.")).to_be_visible()


def make_follow_up_plan(page: Page) -> int:
    """Save the plan of visits and return how many it has."""
    go(page, "Surveillance")
    make = page.get_by_role("button", name=re.compile("^Make this plan"))
    count = int(re.findall(r"\d+", make.inner_text())[0])
    make.click()
    expect(
        page.get_by_text("Plan saved. The clinic sees it after the next exchange.")
    ).to_be_visible()
    return count


def open_patient(page: Page, patient_address: str) -> None:
    page.evaluate("address => { location.hash = address }", patient_address)


def change_phone(page: Page, number: str) -> None:
    press(page, "Change: Phone")
    page.get_by_label("Phone", exact=True).fill(number)
    press(page, "Enter", exact=True)
    expect(page.get_by_text(number).first).to_be_visible()


def count_unsent(page: Page) -> int:
    """Return how many entries the unit does not hold, once the status line stands still.

    A screen hears its own answer first and the status line a moment after it.
    """
    line = page.locator("[data-status=unsent]")
    before = None
    while (now := line.get_attribute("data-unsent")) != before:
        before = now
        time.sleep(STILL_S)
    return int(now or 0)


def wait_until_all_has_come(page: Page) -> None:
    """Wait for the whole record after joining: its first rows are drawn before the last come."""
    expect(page.locator("[data-status=unsent]")).to_have_text("All at the unit", timeout=45_000)


def wait_until_sent(page: Page, *, within_s: float = 30) -> None:
    """Wait until the status line says that the unit holds everything."""
    line = page.locator("[data-status=unsent]")
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if line.get_attribute("data-unsent") == "0":
            # Just after an act the line still says what was true before it.
            time.sleep(STILL_S)
            if line.get_attribute("data-unsent") == "0":
                return
        time.sleep(0.2)
    raise AssertionError(line.inner_text())
