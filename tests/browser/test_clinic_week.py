"""The other views of the clinic on the built app: sessions week by week, proposals, charts.

Cites FU-02, FU-14, FU-16, TASK-17, HAZ-43.
"""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.clinic_desk import BOOK_CLICKS, BOOK_S, FINDINGS, Desk, counting, open_desk

pytestmark = pytest.mark.browser

WEEKS_LOOKED_AT = 13
_WATCH_POLICY = """
() => {
  window.violations = [];
  document.addEventListener('securitypolicyviolation', (event) => {
    window.violations.push(`${event.violatedDirective} ${event.sourceFile}`);
  });
}
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Iterator[Desk]:
    with open_desk(playwright_driver, tmp_path_factory.mktemp("week")) as one:
        one.page.evaluate(_WATCH_POLICY)
        yield one


@pytest.fixture
def page(desk: Desk) -> Iterator[Page]:
    """The list, as it is when the place is opened."""
    page = desk.page
    case.go(page, "About")
    case.go(page, "Clinic")
    expect(page.locator("[data-visit]").first).to_be_visible(timeout=20_000)
    yield page
    assert desk.device.problems == []
    assert page.evaluate("() => window.violations") == []


def view(page: Page, name: str) -> None:
    page.get_by_role("list", name="Views of the clinic").get_by_role(
        "button", name=name, exact=True
    ).click()
    if name == "Sessions":
        # Drawn once all of its records are read.
        expect(page.locator("[data-sum=booked]")).to_be_visible()


def propose(page: Page, weeks: int = 12) -> Locator:
    """Ask for proposals and return those that can be accepted."""
    view(page, "Proposals")
    page.get_by_role("button", name=f"{weeks} weeks", exact=True).click()
    expect(page.locator("[data-sum=open]")).to_be_visible(timeout=40_000)
    return page.locator("[data-proposal][data-stands=open]")


def accept(page: Page, proposal: Locator) -> str:
    """Book one proposal, outside the window with the first reason; return its visit."""
    visit = proposal.get_attribute("data-proposal") or ""
    is_inside = proposal.get_attribute("data-inside") == "true"
    proposal.get_by_role("button", name=re.compile("^Book")).click()
    if not is_inside:
        why = page.get_by_role("region", name="This day lies outside the window. Why?")
        why.get_by_role("button").first.click()
    expect(page.get_by_role("status").filter(has_text="1 visit booked")).to_be_visible()
    return visit


def undo(page: Page) -> None:
    page.get_by_role("status").get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status").filter(has_text="Undo")).to_have_count(0)


def number(place: Locator, name: str) -> int:
    return int(place.get_attribute(name) or "")


def charted(page: Page, chart: str, column: str) -> dict[str, int]:
    """Return a column of the table behind a chart, week by week."""
    rows = page.locator(f"[data-chart={chart}] tr[data-week]").evaluate_all(
        "(rows, column) => rows.map((row) => [row.dataset.week,"
        " row.querySelector(`[data-column=${column}]`).textContent])",
        column,
    )
    return {monday: int(count) for monday, count in rows}


def open_charts(page: Page) -> None:
    view(page, "Charts")
    for chart in ("due", "seen", "demand"):
        expect(page.locator(f"[data-chart={chart}]")).to_be_visible(timeout=40_000)


def test_the_sums_of_the_weeks_are_those_of_the_list_and_of_the_charts(page: Page):
    """[FU-14] [FU-16] Three counts of the same visits: list, weeks here, weeks at the unit."""
    open_charts(page)
    due = charted(page, "due", "due")
    outside = page.locator("[data-chart=due]").get_by_text("Not drawn:").inner_text()
    left_out = sum(int(count) for count in re.findall(r"\d+", outside))
    booked = charted(page, "demand", "booked")
    mondays = [monday for monday in booked if monday != "all"][:WEEKS_LOOKED_AT]

    view(page, "List")
    expect(page.locator("[data-visit]")).to_have_count(due["all"] + left_out)
    view(page, "Sessions")
    for monday in mondays:
        held = page.locator("[data-sum=booked]")
        assert number(page.locator("[data-sum=due]"), "data-due") == due[monday], monday
        assert number(held, "data-booked") == page.locator("[data-booked^=visit]").count()
        if monday != mondays[0]:
            assert number(held, "data-booked") == booked[monday], monday
        page.get_by_role("button", name="Week after").click()
    page.get_by_role("button", name="This week").click()
    assert number(page.locator("[data-sum=due]"), "data-due") == due[mondays[0]]
    assert sum(due[monday] for monday in mondays) > 0


def test_a_proposal_is_accepted_within_the_budget_of_booking(page: Page):
    """[TASK-17] From the list: the view, the horizon, the proposal."""
    with counting(page) as counted:
        visit = accept(page, propose(page).first)

    assert 2 < counted.count <= BOOK_CLICKS
    assert counted.seconds <= BOOK_S
    expect(page.locator(f'[data-proposal="{visit}"][data-stands=booked]')).to_be_visible()
    view(page, "List")
    expect(page.locator(f'[data-visit="{visit}"]')).to_contain_text("Booked")
    view(page, "Proposals")
    propose(page)
    expect(page.locator(f'[data-proposal="{visit}"]')).to_have_count(0)
    undo(page)


def test_all_proposals_but_one_left_out_are_booked_and_taken_back_in_one_act(page: Page):
    """[FU-14] [FU-02] Those inside the window; each says why, and what has none what to do."""
    everyone = propose(page).count()
    inside = page.locator("[data-proposal][data-stands=open][data-inside=true]")
    count = inside.count()
    assert 1 < count < everyone
    left_out = inside.first.get_attribute("data-proposal")
    inside.first.get_by_role("button", name=re.compile("^Leave out")).click()
    page.get_by_role("button", name=re.compile(rf"^Book (all )?{count - 1} proposal")).click()

    booked = page.locator("[data-proposal][data-stands=booked]")
    expect(booked).to_have_count(count - 1)
    expect(page.locator("[data-stands=booked][data-inside=false]")).to_have_count(0)
    expect(page.locator(f'[data-proposal="{left_out}"][data-stands=open]')).to_be_visible()
    for said in page.locator("[data-unbooked]").all_inner_texts():
        assert re.search(r"\.\s", said), said
    words = page.locator("main").inner_text().lower()
    assert not [word for word in FINDINGS if re.search(rf"\b{word}", words)]
    undo(page)
    expect(page.locator("[data-proposal][data-stands=open]")).to_have_count(everyone)


def test_a_closed_session_gives_its_bookings_back_and_undo_returns_them(page: Page):
    """[HAZ-43] [FU-02] The visits go back on the list; one act, one undo."""
    visit = accept(page, propose(page).first)
    # The week is looked through once: the booking has to be in what is read.
    expect(page.locator(f'[data-proposal="{visit}"][data-stands=booked]')).to_be_visible()
    view(page, "Sessions")
    line = page.locator(f'[data-booked="{visit}"]')
    for _ in range(WEEKS_LOOKED_AT):
        if line.count():
            break
        page.get_by_role("button", name="Week after").click()
    session = page.locator("[data-session]").filter(has=line)
    record = session.get_attribute("data-session")
    session = page.locator(f'[data-session="{record}"]')
    booked = session.locator("[data-booked]").count()

    session.get_by_role("button", name=re.compile("^Close the session")).click()
    expect(session).to_contain_text(re.compile(rf"{booked} bookings? goe?s? ?back to the list"))
    session.get_by_role("button", name="Staff away").click()
    expect(session).to_contain_text("Closed: staff away")
    expect(session.locator("[data-booked]")).to_have_count(0)
    view(page, "List")
    expect(page.locator(f'[data-visit="{visit}"]')).to_contain_text("cancelled, to rebook")
    view(page, "Sessions")
    undo(page)

    view(page, "List")
    expect(page.locator(f'[data-visit="{visit}"]')).not_to_contain_text("cancelled, to rebook")
    expect(page.locator(f'[data-visit="{visit}"]')).to_contain_text("Booked")


def test_a_season_is_laid_out_and_taken_back(page: Page):
    """[FU-02] By a place that is known: place, how often, add; nothing twice."""
    view(page, "Sessions")
    page.get_by_role("button", name="Week after").click()
    before = page.locator("[data-session]").count()
    page.get_by_role("button", name="Add sessions").first.click()
    place = page.get_by_role("group", name=re.compile("^Place"))
    place.get_by_role("button").first.click()
    page.get_by_label("Starts at").fill("07:15")
    case.answer(page, "How often?", "Every 2 weeks")
    expect(page.get_by_text("public holidays of the unit's country")).to_be_visible()
    page.get_by_role("button", name=re.compile("^Add 6 sessions")).click()

    expect(page.get_by_role("status").filter(has_text="6 sessions added")).to_be_visible()
    expect(page.locator("[data-session]")).to_have_count(before + 1)
    expect(page.locator("[data-session]").filter(has_text="07:15")).to_have_count(1)
    undo(page)
    expect(page.locator("[data-session]")).to_have_count(before)


def test_charts_are_drawn_under_the_policy_of_the_page(page: Page):
    """[FU-16] Three drawings with marks, words to read out, and their tables.

    Has caught a planted bug: the library's own style sheet left in the drawing.
    """
    open_charts(page)

    for chart in ("due", "demand"):
        figure = page.locator(f"[data-chart={chart}]")
        expect(figure).to_have_attribute("data-drawn", "true", timeout=20_000)
        assert figure.locator("svg rect").count() > 0, chart
        assert figure.locator("svg text").count() > 5
        assert figure.locator("style").count() == 0
        said = figure.get_by_role("img").first.get_attribute("aria-label") or ""
        assert re.search(r"\d+ .* in 26 weeks", said), said
    seen = page.locator("[data-chart=seen]")
    expect(seen).to_contain_text("seen inside the window in 26 weeks")
    columns = charted(page, "seen", "within"), charted(page, "seen", "outside")
    assert columns[0]["all"] + columns[1]["all"] == charted(page, "seen", "seen")["all"]
    # The filling is the palette's, by a property of the page: the policy lets it through.
    fill = page.locator("[data-chart=demand] svg rect").first.evaluate(
        "one => getComputedStyle(one).fill"
    )
    assert fill not in ("none", "rgb(0, 0, 0)")


def test_without_the_unit_a_line_says_so_and_booking_by_hand_goes_on(desk: Desk, page: Page):
    desk.server.stop()
    try:
        view(page, "Proposals")
        page.get_by_role("button", name="4 weeks", exact=True).click()
        expect(page.get_by_text("Proposals need the unit's server.")).to_be_visible(timeout=60_000)
        expect(page.get_by_text("Booking by hand on the list goes on.")).to_be_visible()
        view(page, "Sessions")
        expect(page.locator("[data-sum=booked]")).to_be_visible()
        view(page, "Charts")
        expect(page.get_by_text("Charts need the unit's server.")).to_be_visible(timeout=60_000)
    finally:
        desk.server.start()
