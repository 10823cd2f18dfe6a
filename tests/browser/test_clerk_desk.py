"""The clerk's desk on the built app: by mouse within its budgets, by keys alone, and on paper.

Cites TASK-17, TASK-18, FU-01, FU-05, FU-11, FU-15, HAZ-14, HAZ-45.
"""

import re
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.clinic_desk import (
    BOOK_CLICKS,
    BOOK_S,
    FINDINGS,
    NO_SHOW_CLICKS,
    NO_SHOW_S,
    counting,
    open_desk,
)

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def desk(
    tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright
) -> Iterator[tuple[Device, Page]]:
    with open_desk(playwright_driver, tmp_path_factory.mktemp("clerk")) as one:
        yield one.device, one.page


@pytest.fixture
def page(desk: tuple[Device, Page]) -> Iterator[Page]:
    """The list as it is when nothing is selected and nothing typed."""
    device, page = desk
    case.go(page, "About")
    case.go(page, "Clinic")
    expect(page.locator("[data-visit]").first).to_be_visible(timeout=20_000)
    yield page
    assert device.problems == []


def group(page: Page, name: str) -> Locator:
    return page.locator(f"[data-group={name}]")


def rows(page: Page, name: str) -> list[str]:
    return (
        group(page, name)
        .locator("[data-visit]")
        .evaluate_all("found => found.map(one => one.dataset.visit)")
    )


def opener(page: Page, visit: str) -> Locator:
    return page.locator(f'[data-visit="{visit}"] button')


def act(page: Page, words: str) -> None:
    button = page.locator(".desk").get_by_role("button", name=re.compile("^" + re.escape(words)))
    button.first.click()


def choose_first(page: Page) -> None:
    page.locator(".desk [data-choice='1'] button").click()


def book_first(page: Page, visit: str) -> None:
    opener(page, visit).click()
    act(page, "Book")
    choose_first(page)
    if page.get_by_role("region", name="This day lies outside the window. Why?").count():
        choose_first(page)
    expect(page.get_by_role("status").filter(has_text="Booked for")).to_be_visible()


def test_booking_from_the_worklist_keeps_its_budget(page: Page):
    """[TASK-17] From the list to a booked session, in clicks and in seconds."""
    visit = [*rows(page, "overdue"), *rows(page, "due")][0]

    with counting(page) as counted:
        book_first(page, visit)

    assert 3 <= counted.count <= BOOK_CLICKS
    assert counted.seconds <= BOOK_S
    itself = page.locator(f'[data-visit="{visit}"]')
    to_book = group(page, "overdue").or_(group(page, "due"))
    expect(to_book.locator(itself)).to_have_count(0)
    page.keyboard.press("u")
    expect(to_book.locator(itself)).to_have_count(1)


def test_a_no_show_with_its_reason_is_back_on_the_list(page: Page):
    """[TASK-18] Row, act, reason: three clicks; the visit is to be rebooked or decided on."""
    visit = rows(page, "to-answer")[0]

    with counting(page) as counted:
        opener(page, visit).click()
        # The visit is a phone call: nobody was to come to it.
        act(page, "No answer")
        page.get_by_role("region", name="Why was nobody reached?").get_by_role(
            "button", name=re.compile("^Unwell")
        ).click()
        expect(page.get_by_role("status").filter(has_text="no answer")).to_be_visible()

    assert 0 < counted.count <= NO_SHOW_CLICKS
    assert counted.seconds <= NO_SHOW_S
    itself = page.locator(f'[data-visit="{visit}"]')
    back = group(page, "no-show").or_(group(page, "clinician"))
    expect(back.locator(itself)).to_have_count(1)
    assert visit not in rows(page, "to-answer")
    # [FU-06] A clinician decides next: booking is not the act offered first.
    expect(page.locator(".desk .tone-primary")).to_have_count(0)
    page.locator(".desk").get_by_role("button", name="Undo").click()
    expect(group(page, "to-answer").locator(f'[data-visit="{visit}"]')).to_be_visible()


def test_who_is_past_the_window_is_told_at_the_head_and_leads_to_the_row(page: Page):
    """[FU-01] Whatever group the visit stands in; a press opens it and shows its row."""
    head = page.locator("[data-past-window]")
    count = int(head.get_attribute("data-past-window") or "0")
    assert count >= len(rows(page, "overdue")) > 0
    waiting = head.get_by_role("button", name=re.compile("waits for a clinician"))
    expect(waiting.first).to_contain_text("d past target")

    waiting.first.click()

    family = waiting.first.inner_text().split(",")[0]
    opened = page.locator(".row.open")
    expect(opened).to_contain_text(family)
    expect(opened).to_be_in_viewport()
    expect(group(page, "clinician").locator(opened)).to_have_count(1)


def test_keys_alone_open_ask_and_close_and_the_focus_is_always_seen(page: Page):
    """Arrows move, Enter opens, a letter asks, Escape closes; the focus has an outline."""
    first, second = (
        page.locator("[data-visit] button").nth(0),
        page.locator("[data-visit] button").nth(1),
    )
    page.get_by_label("Find by name").focus()
    page.keyboard.press("ArrowDown")
    expect(first).to_be_focused()
    page.keyboard.press("ArrowDown")
    expect(second).to_be_focused()
    outline = second.evaluate("one => getComputedStyle(one, '::after').outlineStyle")
    assert outline == "solid"

    page.keyboard.press("Enter")
    expect(page.locator(".desk")).to_be_focused()
    assert page.locator(".desk").evaluate("one => getComputedStyle(one).outlineStyle") == "solid"
    page.keyboard.press("g")
    expect(page.get_by_role("region", name="Who takes this visit?")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("region", name="Who takes this visit?")).to_have_count(0)
    page.keyboard.press("Escape")
    expect(page.locator(".desk section")).to_have_count(0)
    expect(second).to_be_focused()


def test_a_visit_is_given_away_and_taken_back_by_keys_alone(page: Page):
    """[FU-05] [HAZ-14] The letter opens the row and asks; its digit records, once."""
    visit = [*rows(page, "overdue"), *rows(page, "due")][0]
    opener(page, visit).focus()
    before = page.locator("[data-visit]").count()

    page.keyboard.press("g")
    choice = page.locator(".desk [data-choice='1'] button")
    name = choice.inner_text().split(",")[0]
    # A held key: the system repeats it, and nothing more happens.
    page.keyboard.down("1")
    page.keyboard.down("1")
    page.keyboard.down("1")
    page.keyboard.up("1")

    expect(page.get_by_role("status").filter(has_text=f"Given to {name}")).to_be_visible()
    expect(page.locator(f'[data-visit="{visit}"]')).to_contain_text(name)
    page.keyboard.press("u")
    expect(page.locator(f'[data-visit="{visit}"]')).not_to_contain_text(name)
    assert page.locator("[data-visit]").count() == before


def test_all_visits_of_a_colleague_are_handed_over_in_one_act(page: Page):
    """[FU-05] One act and one undo for every row; who has none is not offered."""
    page.get_by_role("button", name="Colleague away").click()
    away = page.get_by_role("group", name=re.compile("^Who is away?"))
    away.get_by_role("button", name=re.compile("Nobody yet")).click()
    taking = page.get_by_role("group", name=re.compile("^Who takes over?"))
    taking.get_by_role("button", name="Juno Marrowby").click()
    press = page.locator(".desk").get_by_role(
        "button", name=re.compile(r"^Hand \d+ visits? to Juno")
    )
    count = int(re.findall(r"\d+", press.inner_text())[0])
    press.click()

    done = page.get_by_role("status").filter(has_text=f"{count} visits handed to Juno Marrowby")
    expect(done).to_be_visible()
    held = page.locator("[data-visit]").filter(has_text="Juno Marrowby")
    assert count > 3
    expect(held).to_have_count(count)
    page.keyboard.press("u")
    expect(held).to_have_count(0)


def test_a_person_is_found_as_the_name_sounds_and_by_the_phone_number(page: Page):
    """[FU-15] Dunmorrow, spelled otherwise; a number with other spaces."""
    find = page.get_by_label("Find by name")
    for typed in ("Dunmorow", "dunmor", "TH37733", "01632960733"):
        find.fill(typed)
        expect(page.locator("[data-visit]").first).to_contain_text("Dunmorrow")
        assert all(
            "Dunmorrow" in text for text in page.locator("[data-visit]").all_inner_texts()
        ), typed
    find.fill("nobody of that name")
    expect(page.locator("[data-visit]")).to_have_count(0)
    page.keyboard.press("Escape")
    expect(page.locator("[data-visit]").first).to_be_visible()


def test_a_desk_is_not_offered_to_end_a_course(page: Page):
    """[HAZ-45] [FU-11] On no row; and no finding stands on any."""
    for visit in page.locator("[data-visit]").evaluate_all(
        "found => found.map(one => one.dataset.visit)"
    )[:8]:
        opener(page, visit).click()
        expect(page.locator(".desk .acts")).to_be_visible()
        words = page.locator(".desk").inner_text()
        assert "End this visit" not in words
        assert "Decide" not in words
        page.keyboard.press("Escape")
    said = page.locator("main").inner_text().lower()
    assert not [word for word in FINDINGS if re.search(rf"\b{word}", said)]


def test_the_day_and_the_week_go_on_paper_without_the_frame(page: Page):
    """[FU-11] [FU-14] What is printed is the sheet alone, with every booking of the week."""
    visit = [*rows(page, "overdue"), *rows(page, "due")][0]
    book_first(page, visit)
    booked = page.locator(f'[data-visit="{visit}"]').inner_text()
    name = booked.split("\n")[0]
    page.get_by_role("button", name="Day and week").click()
    page.get_by_role("button", name="Week", exact=True).click()
    for _ in range(12):
        if page.locator("td", has_text=name).count():
            break
        page.get_by_role("button", name="Later", exact=True).click()
        time.sleep(0.2)
    expect(page.locator("td", has_text=name).first).to_be_visible()

    # The unit says what it made, or what it lacks: this one has stated no phone number.
    page.get_by_role("button", name="Letters for these bookings").click()
    told = page.get_by_role("status").filter(has_text=re.compile("letter|phone", re.IGNORECASE))
    expect(told).to_be_visible(timeout=30_000)

    page.emulate_media(media="print")
    try:
        expect(page.get_by_role("navigation")).to_be_hidden()
        expect(page.get_by_role("button", name="Print")).to_be_hidden()
        expect(page.locator("td", has_text=name).first).to_be_visible()
        said = page.locator("main").inner_text().lower()
        assert not [word for word in FINDINGS if re.search(rf"\b{word}", said)]
    finally:
        page.emulate_media(media="screen")
