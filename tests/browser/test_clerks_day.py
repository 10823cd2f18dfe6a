"""A clerk's whole day on the built app at 1280x800, half of it without a network.

Then two clinicians at a tablet beside it. Booked, missed with its reason, moved, proposed and
taken, printed, written to, handed over; a calendar link made and its feed read back; at the end the
check of follow-up names nobody.
Cites TASK-17, TASK-18, FU-02, FU-05, FU-09, FU-12, FU-14, HAZ-43, HAZ-45.
"""

import re
import subprocess
from pathlib import Path

import httpx
import icalendar
import pytest
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.clinic_desk import BOOK_CLICKS, NO_SHOW_CLICKS, Desk, counting, open_desk
from tests.browser.unit_server import CRURA

pytestmark = pytest.mark.browser

# Who was treated in the stories and has no plan yet.
WITHOUT_A_PLAN = "Ashdown-Pike"


def test_a_clerks_day_ends_without_a_gap(playwright_driver: Playwright, tmp_path: Path):
    """[TASK-17] [TASK-18] [FU-09] [FU-14] [HAZ-43] [HAZ-45] The day, then the tablet beside it.

    Planted bug that this caught: a feed kept from before the move.
    """
    with open_desk(playwright_driver, tmp_path) as desk:
        page = desk.page
        visit, name = _book_the_first(page)
        address, place = _make_a_link(page)
        booked_on = _told_in_feed(address, place)

        page.context.set_offline(True)
        _miss_one_with_its_reason(page)
        moved_to = _move(page, visit)
        _hand_over(page)
        _say_what_needs_the_unit(page)
        expect(page.locator("[data-unsent='0']")).to_have_count(0)
        page.context.set_offline(False)
        _wait_for_exchange(page)

        told = _told_in_feed(address, place)
        assert moved_to in told - booked_on
        _take_a_proposal(page)
        _print_the_day(page, name, moved_to)
        _close_the_link(page, address)
        _wait_for_exchange(page)
        assert desk.device.problems == []

        tablet = _join_a_tablet(playwright_driver, tmp_path, desk)
        try:
            _plan_who_has_none(tablet.page)
            _sign_the_failsafe_list(tablet.page)
            _end_and_open_again(tablet.page, name)
            assert tablet.problems == []
        finally:
            tablet.kill()

        desk.server.stop()
        checked = subprocess.run(
            [*CRURA, "check-follow-up", "--data", str(desk.server.folder)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert checked.returncode == 0, checked.stdout
        assert "gaps 0." in checked.stdout


# --- the desk


def _view(page: Page, name: str) -> None:
    page.get_by_role("list", name="Views of the clinic").get_by_role(
        "button", name=name, exact=True
    ).click()


def _rows(page: Page, *groups: str) -> list[str]:
    return [
        visit
        for group in groups
        for visit in page.locator(f"[data-group={group}] [data-visit]").evaluate_all(
            "found => found.map(one => one.dataset.visit)"
        )
    ]


def _row(page: Page, visit: str) -> Locator:
    return page.locator(f'[data-visit="{visit}"]')


def _act(page: Page, words: str) -> None:
    button = page.locator(".desk").get_by_role("button", name=re.compile("^" + re.escape(words)))
    button.first.click()


def _choose_first(page: Page, number: int = 1) -> None:
    page.locator(f".desk [data-choice='{number}'] button").click()
    if page.get_by_role("region", name="This day lies outside the window. Why?").count():
        page.locator(".desk [data-choice='1'] button").click()


def _booked_on(page: Page) -> str:
    """Return when the open visit is, as the desk says it: `Tue 3 Mar 2026, 09:00`."""
    said = page.locator(".desk strong").filter(has_text=re.compile("^Booked: ")).inner_text()
    return re.findall(r"\w{3} \d+ \w{3} \d{4}, \d\d:\d\d", said)[0]


def _book_the_first(page: Page) -> tuple[str, str]:
    """[TASK-17] Return the visit and the family name."""
    visit = _rows(page, "due", "overdue")[0]
    with counting(page) as counted:
        _row(page, visit).locator("button").first.click()
        _act(page, "Book")
        _choose_first(page)
        expect(page.get_by_role("status").filter(has_text="Booked for")).to_be_visible()
    assert 3 <= counted.count <= BOOK_CLICKS
    expect(_row(page, visit)).to_contain_text("Booked")
    return visit, _row(page, visit).inner_text().split(",")[0].strip()


def _make_a_link(page: Page) -> tuple[str, str]:
    """[FU-09] Return the address of the feed and the place of the session just booked."""
    said = page.locator(".desk strong").filter(has_text=re.compile("^Booked: ")).inner_text()
    place = said.rsplit(", ", 1)[1]
    _wait_for_exchange(page)
    _view(page, "Calendar links")
    expect(page.get_by_text("No link is in use.")).to_be_visible(timeout=40_000)
    case.answer(page, "Whose sessions?", "Those of a place")
    case.answer(page, "Which place?", place)
    page.get_by_role("button", name=f"Make the link for {place}").click()
    address = page.locator("[data-address]").inner_text(timeout=40_000).strip()
    page.get_by_role("button", name="Copied, hide it").click()
    expect(page.locator("[data-address]")).to_have_count(0)
    expect(page.locator("[data-feed]")).to_have_count(1)
    assert address not in page.locator("main").inner_text()
    _view(page, "List")
    return address, place


def _told_in_feed(address: str, place: str) -> set[str]:
    """Return when the feed says that somebody comes, `3 Mar 2026, 09:00`; it names nobody."""
    answer = httpx.get(address)
    assert answer.status_code == 200, answer.text
    events = icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
    assert events
    standing = [one for one in events if str(one.get("STATUS", "CONFIRMED")) != "CANCELLED"]
    assert {str(one["LOCATION"]) for one in standing} == {place}
    days = [one.decoded("DTSTART") for one in standing]
    return {f"{day.day} {day:%b %Y, %H:%M}" for day in days}


def _miss_one_with_its_reason(page: Page) -> None:
    """[TASK-18] Also without a network."""
    visit = _rows(page, "to-answer")[0]
    with counting(page) as counted:
        _row(page, visit).locator("button").first.click()
        # The visit is a phone call: nobody was to come to it.
        _act(page, "No answer")
        page.get_by_role("region", name="Why was nobody reached?").get_by_role(
            "button", name=re.compile("^Unwell")
        ).click()
        expect(page.get_by_role("status").filter(has_text="no answer")).to_be_visible()
    assert 0 < counted.count <= NO_SHOW_CLICKS
    # The act is told before the list is read anew.
    missed = page.locator("[data-group=no-show], [data-group=clinician]")
    expect(missed.locator(_row(page, visit))).to_have_count(1)


def _move(page: Page, visit: str) -> str:
    """Move a booked visit within its place; return when it is now, `3 Mar 2026, 09:00`."""
    _row(page, visit).locator("button").first.click()
    before = _booked_on(page)
    place = page.locator(".desk strong").filter(has_text=re.compile("^Booked: ")).inner_text()
    place = place.rsplit(", ", 1)[1]
    _act(page, "Move to another session")
    offered = page.locator(".desk [data-choice]").filter(has_text=place)
    other = offered.filter(has_not_text=before).first
    number = int(other.get_attribute("data-choice") or "")
    _choose_first(page, number)
    booked = page.locator(".desk strong").filter(has_text=re.compile("^Booked: "))
    expect(booked).not_to_contain_text(before)
    return _booked_on(page).split(" ", 1)[1]


def _hand_over(page: Page) -> None:
    """[FU-05] What nobody holds goes to Juno in one act."""
    page.get_by_role("button", name="Colleague away").click()
    away = page.get_by_role("group", name=re.compile("^Who is away?"))
    away.get_by_role("button", name=re.compile("Nobody yet")).click()
    taking = page.get_by_role("group", name=re.compile("^Who takes over?"))
    taking.get_by_role("button", name="Juno Marrowby").click()
    page.locator(".desk").get_by_role(
        "button", name=re.compile(r"^Hand \d+ visits? to Juno")
    ).click()
    expect(page.get_by_role("status").filter(has_text="handed to Juno Marrowby")).to_be_visible()
    expect(page.locator("[data-visit]").filter(has_text="Juno Marrowby").first).to_be_visible()


def _say_what_needs_the_unit(page: Page) -> None:
    """Each view that asks the unit says once that it is away, and what goes on."""
    _view(page, "Calendar links")
    expect(page.get_by_text("Calendar links need the unit's server.")).to_have_count(
        1, timeout=60_000
    )
    _view(page, "Proposals")
    page.get_by_role("button", name="4 weeks", exact=True).click()
    expect(page.get_by_text("Proposals need the unit's server.")).to_have_count(1, timeout=60_000)
    _view(page, "List")


def _wait_for_exchange(page: Page) -> None:
    page.evaluate("() => dispatchEvent(new Event('online'))")
    case.wait_until_sent(page, within_s=60)


def _take_a_proposal(page: Page) -> None:
    """[FU-14] The first that the unit proposes."""
    _view(page, "Proposals")
    page.get_by_role("button", name="12 weeks", exact=True).click()
    expect(page.locator("[data-sum=open]")).to_be_visible(timeout=60_000)
    proposal = page.locator("[data-proposal][data-stands=open]").first
    visit = proposal.get_attribute("data-proposal")
    is_inside = proposal.get_attribute("data-inside") == "true"
    # The reason is said from the codes, in the words of this desk.
    expect(proposal).to_contain_text(re.compile(r"Target \w{3} \d+ \w{3} \d{4}"))
    proposal.get_by_role("button", name=re.compile("^Book")).click()
    if not is_inside:
        why = page.get_by_role("region", name="This day lies outside the window. Why?")
        why.get_by_role("button").first.click()
    expect(page.locator(f'[data-proposal="{visit}"][data-stands=booked]')).to_be_visible()


def _print_the_day(page: Page, name: str, moved_to: str) -> None:
    """The sheet of the day of the moved visit, and its letters."""
    _view(page, "Day and week")
    day = moved_to.split(",", maxsplit=1)[0]
    for _ in range(120):
        if page.get_by_role("heading", name=day).count():
            break
        page.get_by_role("button", name="Later", exact=True).click()
    expect(page.locator("td", has_text=name).first).to_be_visible()
    _wait_for_exchange(page)
    page.get_by_role("button", name="Letters for these bookings").click()
    told = page.get_by_role("status").filter(has_text=re.compile("letter|phone", re.IGNORECASE))
    expect(told).to_be_visible(timeout=30_000)
    page.emulate_media(media="print")
    try:
        expect(page.get_by_role("navigation")).to_be_hidden()
        expect(page.get_by_role("button", name="Print")).to_be_hidden()
        expect(page.locator("td", has_text=name).first).to_be_visible()
    finally:
        page.emulate_media(media="screen")


def _close_the_link(page: Page, address: str) -> None:
    """[FU-09] Closed for good: the address finds nothing any more."""
    _view(page, "Calendar links")
    page.get_by_role("button", name=re.compile("^Close the link for")).click(timeout=40_000)
    page.get_by_role("button", name="Close it for good").click()
    expect(page.get_by_text("No link is in use.")).to_be_visible(timeout=40_000)
    assert httpx.get(address).status_code == 404


# --- the tablet


def _join_a_tablet(playwright_driver: Playwright, folder: Path, desk: Desk) -> Device:
    (folder / "tablet").mkdir()
    tablet = Device(playwright_driver, folder / "tablet", "desk")
    page = tablet.start(desk.server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    expect(page.locator("[data-case]").first).to_be_visible(timeout=40_000)
    return tablet


def _plan_who_has_none(page: Page) -> None:
    """[CV3] An assistant on a tablet makes no plan, a clinician does."""
    page.get_by_role("searchbox").fill(WITHOUT_A_PLAN)
    page.locator("[data-case]").filter(has_text=WITHOUT_A_PLAN).first.click()
    case.choose_who_taps(page, "Tam")
    case.go(page, "Surveillance")
    make = page.get_by_role("button", name=re.compile("^Make this plan"))
    expect(make).to_be_disabled()
    expect(page.get_by_text("Choose a clinician as who taps.").first).to_be_visible()
    case.choose_who_taps(page, "Otis")
    make.click()
    expect(page.get_by_text("Plan saved.").first).to_be_visible()
    _wait_for_exchange(page)


def _sign_the_failsafe_list(page: Page) -> None:
    """[FU-12] [FL5] Prepared by one, signed by another; the one who prepared is not offered it."""
    case.go(page, "Cases")
    case.go(page, "Clinic")
    _view(page, "Failsafe list")
    page.get_by_role("button", name="Prepare the list of today").click()
    # Everybody treated has a visit to come by now.
    expect(page.locator("[data-listed='0']")).to_be_visible(timeout=60_000)
    sign = page.get_by_role("button", name=re.compile("^I went through this list"))
    expect(sign).to_have_count(0)
    with page.expect_download(timeout=60_000) as saved:
        page.get_by_role("button", name="Save as PDF").click()
    assert saved.value.suggested_filename.startswith("failsafe-list-")
    case.choose_who_taps(page, "Wren")
    sign.click()
    # A name that taps is no signature: its person's PIN is asked for (HAZ-25).
    expect(page.locator("[data-signed]")).to_have_count(0)
    case.confirm_by_pin(page)
    expect(page.locator("[data-signed]")).to_contain_text("Wren Quillfeather", timeout=60_000)


def _end_and_open_again(page: Page, name: str) -> None:
    """[HAZ-45] [CV3] A clinician ends a visit and opens it again; an assistant can do neither."""
    _view(page, "List")
    page.get_by_label("Find by name").fill(name)
    row = page.locator("[data-visit]").first
    visit = row.get_attribute("data-visit") or ""
    row.locator("button").first.click()
    case.choose_who_taps(page, "Tam")
    expect(page.locator(".desk .acts")).to_be_visible()
    expect(page.locator(".desk").get_by_role("button", name="End this visit")).to_have_count(0)
    case.choose_who_taps(page, "Otis")
    _act(page, "End this visit")
    page.locator(".desk").get_by_role("button", name=re.compile("^Declined")).click()
    expect(page.get_by_role("status").filter(has_text="Visit ended")).to_be_visible()
    closed = page.locator("[data-group=closed]").locator(f'[data-visit="{visit}"]')
    expect(closed).to_be_visible()
    case.choose_who_taps(page, "Tam")
    expect(closed).to_have_count(0)
    case.choose_who_taps(page, "Otis")

    closed.locator("button").first.click()
    _act(page, "Open again")
    page.locator(".desk").get_by_role("button", name=re.compile("^Noted in error")).click()
    expect(page.get_by_role("status").filter(has_text="Opened again")).to_be_visible()
    expect(closed).to_have_count(0)
    expect(page.locator(f'[data-visit="{visit}"]')).to_be_visible()
    _wait_for_exchange(page)
