"""One case from workup to booked follow-up, offline, killed in the middle, then synced.

Plays the built app and the real server; nothing is stubbed. Cites UX-01, UX-08, UX-15, UX-17,
HAZ-22, HAZ-32, SEC-22, FU-11.
"""

import json
import re
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.stolen_disk import count_bytes, files_that_hold
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

FAMILY, GIVEN = "Quillmere", "Dorothea"
CATALOGUE = json.loads((ROOT / "api/record_catalogue/catalogue.json").read_text(encoding="utf-8"))
# Asks the window that writes, as a second window of the app does.
_HELD = """async (kinds) => {
  const channel = new BroadcastChannel('crura-store');
  const held = {};
  for (const kind of kinds) {
    held[kind] = await new Promise((resolve, reject) => {
      channel.onmessage = ({ data }) => {
        if (data.to === kind) 'answer' in data ? resolve(data.answer.length) : reject(data.failure);
      };
      channel.postMessage({ ask: kind, call: 'read', given: [{ kind }] });
    });
  }
  return held;
}"""
TABLET_PHONE, DESK_PHONE = "0700 900 111", "0700 900 222"


def texts(page: Page) -> str:
    return page.locator("main").inner_text()


def case_address(page: Page) -> str:
    return page.evaluate("location.hash")


def counted(server: UnitServer, stream: str) -> int:
    with closing(sqlite3.connect(server.folder / "crura.sqlite3")) as connection:
        row = connection.execute("SELECT count(*) FROM operation WHERE stream = ?", (stream,))
        return int(row.fetchone()[0])


def test_a_case_is_played_offline_killed_synced_booked_and_a_conflict_is_settled(
    server: UnitServer, new_device
):
    # given: a unit with staff, stock and clinic sessions, a tablet and a desk that joined it
    unit_story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", unit_story, "--as-if-today", "today")
    server.start()
    tablet, desk = new_device("tablet"), new_device("desk", "desk")
    page = tablet.start(server.invite("bedside"))
    case.join(page)
    desk_page = desk.start(server.invite("booking"))
    case.join(desk_page)
    case.choose_who_taps(desk_page, "Pell")
    case.choose_who_taps(page, "Otis")
    care_before = counted(server, "care")

    # when: the server is gone and the whole bedside job is done
    case.wait_until_all_has_come(page)
    server.stop()
    case.add_patient_and_case(page, FAMILY, GIVEN)
    case.fill_workup(page)
    case.fill_plan(page)
    case.confirm_identity(page)
    expect(page.locator("[data-primary]")).to_be_visible()
    no_return = {"Does blood come back?": "No blood return"}
    case.pass_steps(page, "What comes next?", instead=no_return)

    # then: without blood return the tool does not offer adhesive (the hard stop)
    assert "No blood return: no adhesive here." in texts(page)
    assert page.get_by_role("button", name=re.compile("Inject adhesive")).count() == 0
    assert case.primary(page).inner_text() == "Flush and try again"
    box = case.primary(page).bounding_box()
    assert box is not None
    assert box["height"] >= 128, "UX-01: the primary action is at least 128 px"
    assert page.locator("main input").count() == 0, "UX-08: no keyboard at the bedside"
    case.primary(page).click()
    case.wait_for_redraw(page, "What comes next?")

    # when: the adhesive timer runs and the tablet dies
    case.pass_steps(page, "Inject slowly")
    coil_line = page.get_by_role("button", name=re.compile("^Undo"))
    expect(coil_line).to_be_visible()
    case.primary(page).click()
    expect(page.get_by_role("timer")).to_be_visible()
    address = case_address(page)
    started = time.monotonic()
    tablet.kill()
    page = tablet.start(server.address)

    # then: the same step, the same timer, and everything that was recorded (UX-15)
    expect(page.get_by_role("timer")).to_be_visible()
    waited = time.monotonic() - started
    shown = page.get_by_role("timer").inner_text()
    minutes, seconds = (
        (int(part) for part in re.findall(r"\d+", shown)[:2])
        if ":" in shown
        else (
            0,
            int(re.findall(r"\d+", shown)[0]),
        )
    )
    assert abs(minutes * 60 + seconds - waited) < 6, f"{shown} shown after {waited:.0f} s"
    assert case_address(page) == address
    expect(page.locator("main")).to_contain_text("Restored")
    expect(case.primary(page)).to_contain_text("Stop: 1 mL given")

    # when: the rest is done, an act undone and done again, and the case closed
    case.pass_steps(page, "Push the adhesive out")
    page.get_by_role("button", name=re.compile("^Undo")).click()
    expect(page.locator("h1.ask")).to_contain_text("Inject slowly")
    time.sleep(1)
    case.pass_steps(page, "All steps passed")
    case.primary(page).click()
    # The press leads to Close-out when it is saved: from any place that was gone to meanwhile.
    expect(page.get_by_role("heading", name="Close-out")).to_be_visible()
    planned = case.make_follow_up_plan(page)
    assert planned >= 5
    case.close_out(page, "Wren")
    unsent = case.count_unsent(page)
    assert unsent > 60

    # then: started again, the server gets all of it
    server.start()
    page.evaluate("window.dispatchEvent(new Event('online'))")
    case.wait_until_sent(page)
    assert counted(server, "care") - care_before > 50
    assert counted(server, "booking") > planned

    # and the desk sees what is due, and holds nothing of the care stream
    # Nobody has touched it for minutes: it may be locked.
    case.come_back(desk_page)
    desk_page.evaluate("window.dispatchEvent(new Event('online'))")
    case.go(desk_page, "Clinic")
    row = desk_page.get_by_role("button", name=re.compile(FAMILY)).first
    row.click(timeout=40_000)
    for finding in ("varix", "coil", "adhesive", "Child", "flow"):
        assert finding.lower() not in texts(desk_page).lower(), f"FU-11: {finding} at the desk"
    case.press(desk_page, "Book", exact=True)
    offer = desk_page.get_by_role("region", name="Choose a session").get_by_role("button").first
    offer.click()
    if desk_page.get_by_text("This day lies outside the window. Why?").count():
        case.press(desk_page, "Clinician agreed")
    expect(desk_page.get_by_text(re.compile("^.*Booked for")).first).to_be_visible()
    case.wait_until_sent(desk_page)

    # and the booking comes back to the tablet
    case.go(page, "Surveillance")
    expect(page.get_by_text(re.compile("^Booked ")).first).to_be_visible(timeout=40_000)

    # when: both change the same phone number without a network
    server.stop()
    page.get_by_role("button", name="Name, phone, needs").click()
    case.change_phone(page, TABLET_PHONE)
    desk_page.get_by_role("button", name="Name, phone, needs").click()
    case.change_phone(desk_page, DESK_PHONE)
    server.start()
    for one in (page, desk_page):
        one.evaluate("window.dispatchEvent(new Event('online'))")
        case.wait_until_sent(one)

    # then: both show the conflict, with both values (HAZ-32)
    for one in (page, desk_page):
        expect(one.get_by_text("Two answers. Choose one.").first).to_be_visible(timeout=40_000)
        expect(one.get_by_text(TABLET_PHONE).first).to_be_visible()
        expect(one.get_by_text(DESK_PHONE).first).to_be_visible()

    # when: a person settles it under Decisions on the desk
    case.go(desk_page, "Decisions")
    case.press(desk_page, DESK_PHONE)
    case.press(desk_page, "Asked the patient")

    # then: it is settled on both, and the log of the unit is sound
    case.wait_until_sent(desk_page)
    expect(page.get_by_text("Two answers. Choose one.")).to_have_count(0, timeout=40_000)
    expect(page.get_by_text(DESK_PHONE).first).to_be_visible()
    server.stop()
    assert "sound" in server.crura("verify").lower()
    assert tablet.problems == []
    assert desk.problems == []


def test_the_desk_has_no_byte_of_care_on_its_disk(server: UnitServer, new_device):
    """[EX7] SEC-22: the care stream never reaches a booking device."""
    for story in sorted(Path(ROOT / "seed_scenarios").glob("0*.json")):
        server.crura("load-scenario", str(story), "--as-if-today", "today")
    server.start()
    desk = new_device("desk", "desk")
    page = desk.start(server.invite("booking"))
    case.join(page)
    expect(page.get_by_role("button", name=re.compile("Open|,")).first).to_be_visible()
    for _ in range(150):
        if page.evaluate(_HELD, ["clinic_session"])["clinic_session"] > 0:
            break
        page.wait_for_timeout(200)
    assert counted(server, "care") > 0

    # The disk is encrypted: what it holds is asked of the open store, kind by kind.
    of_care = [kind["id"] for kind in CATALOGUE["kinds"] if kind["stream"] == "care"]
    held = page.evaluate(_HELD, ["clinic_session", *of_care])
    assert held.pop("clinic_session") > 0, "nothing was stored"
    assert held == dict.fromkeys(of_care, 0)
    desk.kill()
    stored = desk._profile / "Default/File System"
    assert count_bytes(stored) > 10_000
    assert files_that_hold(stored, ["clinic_session/", "visit_type"]) == {}


def test_a_device_that_a_unit_does_not_know_joins_another_one(server: UnitServer, new_device):
    """A tablet at work meets a new unit: it asks, keeps what it has, and sends it there."""
    tablet = new_device("tablet")
    server.start()
    page = tablet.start(server.address)
    case.press(page, "Work on this device alone")
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()
    unsent = case.count_unsent(page)
    assert unsent > 0

    page.goto(server.invite("bedside"))
    case.join(page)
    case.wait_until_sent(page)

    assert counted(server, "care") + counted(server, "booking") >= unsent
    assert tablet.problems == []
