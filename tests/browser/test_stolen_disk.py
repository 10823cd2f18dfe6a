"""A stolen tablet gives nothing away, a locked one still sends, and lost keys have a second home.

Plays the built app in Chromium and reads every file of the profile; nothing is stubbed. Cites
SEC-12, SEC-14, SEC-15 and HAZ-36.
"""

import base64
import re
import sqlite3
from contextlib import closing

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.stolen_disk import (
    DROP_DATABASES,
    REMOVE_FILES,
    count_bytes,
    files_that_hold,
    spellings,
)
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

STORY = str(ROOT / "seed_scenarios/00_unit.json")
FAMILY, GIVEN = "Quillmere", "Dorothea"
# What was typed, and what only the store could have written.
PLANTED = (FAMILY, GIVEN, "TH-52088", "1968-04-17")
OF_THE_STORE = ("tapped_by", "CREATE TABLE", "shunt_right_to_left", "clinic_session/")

_FILES_LEFT = """async () => {
  const found = [];
  const walk = async (folder) => {
    for await (const entry of folder.values()) {
      if (entry.kind === 'directory') await walk(entry);
      else {
        const content = await (await entry.getFile()).slice(0, 4096).text();
        if (content.replaceAll('\\0', '').length > 20) found.push(entry.name);
      }
    }
  };
  await walk(await navigator.storage.getDirectory());
  return found;
}"""
# What no removal of records reaches, and what only the browser itself clears.
_PLANT_BESIDE = """() => {
  localStorage.setItem('planted', '1');
  document.cookie = 'planted=1; max-age=86400';
}"""
_KEPT_BESIDE = """async () => ({
  settings: localStorage.length,
  cookies: document.cookie,
  caches: await caches.keys(),
  workers: (await navigator.serviceWorker.getRegistrations()).length,
  databases: (await indexedDB.databases()).map(({ name }) => name),
})"""


def count_entries(server: UnitServer) -> int:
    with closing(sqlite3.connect(server.folder / "crura.sqlite3")) as connection:
        return int(connection.execute("SELECT count(*) FROM operation").fetchone()[0])


def open_outside(tablet: Device, server: UnitServer) -> Page:
    """Start the browser anew on a page of the origin that is not the app."""
    tablet.kill()
    return tablet.start(f"{server.address}/api/health")


def lock_by_hand(page: Page) -> None:
    case.press(page, "Lock", exact=True)
    expect(page.locator("[data-locked]")).to_be_visible()


def expect_records(page: Page) -> None:
    expect(page.get_by_text(FAMILY).first).to_be_visible()


def test_spellings_find_a_word_however_it_is_written():
    """The search itself: a word in text, in UTF-16 and in base64 anywhere is found."""
    for before in ("", "a", "ab", "abc"):
        for coding in ("utf-8", "utf-16-le"):
            content = base64.b64encode(f"{before}{FAMILY} and more".encode(coding))
            assert any(one in content for one in spellings(FAMILY)), (before, coding)
    assert not any(one in base64.b64encode(b"something else") for one in spellings(FAMILY))


def test_a_stolen_tablet_is_silent_and_lost_keys_come_back(server: UnitServer, new_device):
    """[HAZ-36] [HAZ-48] [SEC-12] [SEC-14] Locked, killed, read; sent while locked; keys wiped.

    The planted bug it has caught: the second copy written plain.
    """
    server.crura("load-scenario", STORY, "--as-if-today", "today")
    server.start()
    tablet = new_device("tablet")
    page = tablet.start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    case.wait_until_sent(page)
    at_unit = count_entries(server)
    server.stop()
    case.add_patient_and_case(page, FAMILY, GIVEN)
    case.fill_workup(page)
    unsent = case.count_unsent(page)
    assert unsent > 20

    # Locked and stolen: nothing that was typed or stored lies in any file.
    lock_by_hand(page)
    tablet.kill()
    assert count_bytes(tablet._profile) > 1_000_000
    assert files_that_hold(tablet._profile, PLANTED) == {}
    for store in ("File System", "IndexedDB"):
        assert count_bytes(tablet._profile / "Default" / store) > 10_000
        assert files_that_hold(tablet._profile / "Default" / store, OF_THE_STORE) == {}

    # Nobody unlocks it, and all of it reaches the unit.
    server.start()
    page = tablet.start(server.address)
    expect(page.locator("[data-locked] [data-status=unsent]")).to_have_attribute(
        "data-unsent", "0", timeout=60_000
    )
    assert count_entries(server) >= at_unit + unsent
    assert page.get_by_text(FAMILY).count() == 0

    # Chromium has thrown IndexedDB away: a PIN opens everything.
    page = open_outside(tablet, server)
    page.evaluate(DROP_DATABASES)
    page.goto(server.address)
    case.unlock(page, "")
    expect_records(page)

    # The files of the key ring are gone: the other home has them.
    lock_by_hand(page)
    page = open_outside(tablet, server)
    page.evaluate(REMOVE_FILES, "crura-ring")
    page.goto(server.address)
    case.unlock(page, "")
    expect_records(page)

    # Every key is gone: nothing is begun over the records, and being joined opens nothing.
    lock_by_hand(page)
    page = open_outside(tablet, server)
    page.evaluate(REMOVE_FILES, "crura-ring")
    page.evaluate(DROP_DATABASES)
    page.goto(server.address)
    expect(page.get_by_text("Nobody has a PIN on this tablet any more.")).to_be_visible()
    case.press(page, "Ask for the key")
    expect(page.get_by_text("only for a fresh invitation")).to_be_visible()

    # By a fresh invitation, once somebody has compared the digits, the unit gives the key back.
    code = server.invite("bedside", is_trusted=False).partition("#join=")[2]
    page.get_by_label("Code of a fresh invitation").fill(code.replace("-", " ").lower())
    case.press(page, "Ask for the key")
    told = page.locator("[data-digits]")
    expect(told).to_be_visible()
    digits = re.sub("[^0-9]", "", told.inner_text())
    waiting = re.search("^([a-z0-9]{10}) .* waits", server.crura("device", "list"), re.MULTILINE)
    assert waiting is not None
    server.crura("device", "confirm", waiting[1], digits)
    # It asks again by itself.
    case.choose_first_pin(page)
    expect_records(page)
    case.wait_until_sent(page)
    server.stop()
    assert "recovery" in server.crura("audit", "search")
    assert "sound" in server.crura("verify").lower()
    assert [one for one in tablet.problems if "40" not in one] == []


def test_a_lost_tablet_clears_itself_when_it_is_next_heard_of(server: UnitServer, new_device):
    """[SEC-15] [SEC-27] [RQ9] What it holds goes to the quarantine first; then nothing is left.

    The planted bug that the last part has caught: a request that may carry no cookies, whose answer
    no browser lets clear anything.
    """
    server.crura("load-scenario", STORY, "--as-if-today", "today")
    server.start()
    tablet = new_device("tablet")
    page = tablet.start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    case.wait_until_sent(page)
    # What is to be cleared in the end has to be there.
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    server.stop()
    case.add_patient_and_case(page, FAMILY, GIVEN)
    unsent = case.count_unsent(page)
    assert unsent > 1
    page.evaluate(_PLANT_BESIDE)
    assert page.evaluate(_KEPT_BESIDE)["workers"] == 1
    listed = server.crura("device", "list")
    device = re.search(r"^([a-z0-9]{10})\b", listed, re.MULTILINE)
    assert device is not None, listed
    server.crura("device", "lost", device[1])

    server.start()
    page.reload()

    expect(page.get_by_text("The unit has revoked this tablet.")).to_be_visible(timeout=60_000)
    assert page.get_by_text(FAMILY).count() == 0
    assert page.evaluate(_FILES_LEFT) == []
    assert page.evaluate(_KEPT_BESIDE) == {
        "settings": 0,
        "cookies": "",
        "caches": [],
        "workers": 0,
        "databases": [],
    }
    with closing(sqlite3.connect(server.folder / "crura.sqlite3")) as connection:
        (aside,) = connection.execute("SELECT count(*) FROM quarantine").fetchone()
    assert aside == unsent
    tablet.kill()
    assert files_that_hold(tablet._profile, PLANTED) == {}
    server.stop()
    assert re.search(r"Tablet 1 .*clear", server.crura("audit", "search"))
