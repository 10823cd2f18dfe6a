"""The unit desk as the unit administrator uses it, beside a tablet that joins and is revoked."""

import base64
import re
import time

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from playwright.sync_api import expect

from tests.browser.played_case import choose_first_pin, go, press
from tests.browser.served_build import ServedBuild
from tests.browser.stolen_disk import DROP_DATABASES, REMOVE_FILES

pytestmark = pytest.mark.browser
PASSWORD = "teal lantern over wet slate"


@pytest.fixture
def server(tmp_path):
    unit = ServedBuild(tmp_path / "server")
    yield unit
    unit.stop()


def _make_admin(server, tmp_path):
    """Return the secret of the code app of a unit administrator, made at the server."""
    told = server.crura("staff", "add", "--name", "Ida Norrwood", "--role", "unit-admin")
    staff = told.split()[-1].rstrip(".")
    typed = tmp_path / "typed"
    typed.write_text(f"{PASSWORD}\n")
    server.crura("staff", "password", staff, "--from-file", str(typed))
    key = re.search(r"Key: ([A-Z2-7 ]+)", server.crura("staff", "totp", staff))
    assert key is not None
    return base64.b32decode(key[1].replace(" ", ""))


def _code(secret):
    return TOTP(secret, 6, SHA1(), 30).generate(int(time.time())).decode()  # noqa: S303


def _log_in(page, password, secret):
    """Show password and code; the log-in name stands there already."""
    page.get_by_label("Password").fill(password)
    press(page, "Go on")
    page.get_by_label("Six digits of your code app").fill(_code(secret))
    press(page, "Log in")


def _smallest_target(page):
    """Return the smallest height of what can be pressed or typed into."""
    return page.evaluate(
        "Math.min(...[...document.querySelectorAll('main button, main input, main a')]"
        ".map(each => each.getBoundingClientRect().height))"
    )


def _play_first_log_in(server, page):
    """A data manager chooses a password by a one-time code, and sees what that role sees alone."""
    told = server.crura("staff", "add", "--name", "Pell Thistlewood", "--role", "data-manager")
    code = server.crura("staff", "code", told.split()[-1].rstrip("."), "--log-in").split()[0]
    press(page, "First log-in with a one-time code")
    page.get_by_label("One-time code").fill(code.lower())
    page.get_by_label("New password").fill("amber kettle under dry birch")
    press(page, "Set the password")
    key = page.locator("[data-secret]").inner_text()
    expect(page.locator("[data-code-picture]")).to_be_visible()
    press(page, "The app has it, log in")
    expect(page.get_by_label("Log-in name")).to_have_value("pell.thistlewood")
    _log_in(page, "amber kettle under dry birch", base64.b32decode(key.replace(" ", "")))
    expect(page.locator("[data-who]")).to_have_text("Pell Thistlewood, Data manager")
    expect(page.get_by_role("navigation").get_by_role("button")).to_have_count(6)
    # The day begins with what came from the network; this unit belongs to none.
    expect(page.get_by_text("This unit belongs to no network")).to_be_visible()
    press(page, "Who looked")
    page.get_by_label("Person: staff").fill(told.split()[-1].rstrip("."))
    press(page, "Search")
    expect(page.get_by_role("row").filter(has_text="log-in").first).to_be_visible()
    press(page, "Privacy")
    press(page, "Look what is due")
    expect(page.locator("[data-class]")).to_have_count(4)
    # [PRIV-04] A letter bears the local number; what was typed in vain stays to be read.
    page.get_by_label("Local number, or record").fill("TH-999")
    page.get_by_label("Why it is given").fill("asked for by letter")
    press(page, "Gather all about TH-999")
    expect(page.get_by_text("No patient on record bears that local number")).to_be_visible()
    expect(page.get_by_label("Local number, or record")).to_have_value("TH-999")
    press(page, "My log-ins")
    expect(page.get_by_text("this one")).to_be_visible()
    press(page, "Log out")


def _play_no_app_yet(server, page, typed):
    """An endoscopist with a password alone sets a code app up, before anything else (SEC-19).

    Caught: by the password alone an endoscopist was in, and approved rule files.
    """
    told = server.crura("staff", "add", "--name", "Wren Alder", "--role", "endoscopist")
    typed.write_text(f"{PASSWORD}\n")
    server.crura("staff", "password", told.split()[-1].rstrip("."), "--from-file", str(typed))
    page.get_by_label("Log-in name").fill("wren.alder")
    page.get_by_label("Password").fill(PASSWORD)
    press(page, "Go on")
    press(page, "Log in")
    expect(page.get_by_text("Every log-in takes a code too")).to_be_visible()
    expect(page.locator("[data-who]")).to_have_count(0)
    press(page, "I have no code app yet")
    key = page.locator("[data-secret]").inner_text()
    expect(page.locator("[data-code-picture]")).to_be_visible()
    assert _smallest_target(page) >= 44
    code = _code(base64.b32decode(key.replace(" ", "")))
    page.get_by_label("Six digits of your code app").fill(code)
    press(page, "Log in")
    expect(page.locator("[data-who]")).to_have_text("Wren Alder, Endoscopist")
    press(page, "Log out")


def _invite(page, name=""):
    """Make an invitation for a tablet and return its address."""
    press(page, "Bedside tablet")
    if name:
        page.get_by_label("Name of the device").fill(name)
    press(page, "Make an invitation")
    expect(page.locator("[data-code-picture]")).to_be_visible()
    return page.locator("[data-invitation]").inner_text()


def _ask_for_the_key(tablet, address):
    """Ask on a tablet without keys by a fresh invitation, and return its six digits."""
    tablet.get_by_label("Code of a fresh invitation").fill(address.partition("#join=")[2])
    press(tablet, "Ask for the key")
    digits = tablet.locator("[data-digits]")
    expect(digits).to_be_visible()
    return "".join(digits.inner_text().split())


def _play_lost_keys(server, desk_page, tablet):
    """A tablet loses its keys; the desk says who asks for them, refuses once, and then gives them.

    Caught: the desk listed it as a device that joins, under the id of its log, and could keep the
    key from it by a revocation alone, after which nobody ever opens what it holds.
    """
    tablet.kill()
    page = tablet.start(f"{server.address}/api/health")
    page.evaluate(REMOVE_FILES, "crura-ring")
    page.evaluate(DROP_DATABASES)
    page.goto(server.address)
    _ask_for_the_key(page, _invite(desk_page))
    press(desk_page, "Done, hide it")
    waiting = desk_page.locator("[data-waiting]")
    expect(waiting.get_by_text("nobody can open the records on it any more")).to_be_visible()
    expect(waiting.get_by_role("strong").first).to_have_text("Room 2")
    assert _smallest_target(desk_page) >= 44
    press(desk_page, "Refuse Room 2 its key")
    expect(waiting).to_have_count(0)
    expect(desk_page.get_by_text("Its key was denied")).to_be_visible()
    expect(page.get_by_text("The unit refused this tablet its key")).to_be_visible()

    digits = _ask_for_the_key(page, _invite(desk_page))
    press(desk_page, "Done, hide it")
    waiting.get_by_role("textbox").fill(digits)
    press(desk_page, "Give Room 2 its key")
    expect(waiting).to_have_count(0)
    expect(page.locator("[data-first-person]")).to_be_visible(timeout=30_000)
    choose_first_pin(page)
    go(page, "This tablet")
    expect(page.locator("[data-own-name]")).to_contain_text("knows this device as Room 2")
    return page


def test_a_tablet_is_invited_let_in_by_its_digits_and_revoked(server, new_device, tmp_path):
    """[HAZ-47] [SEC-05] [SE4] Log-in with a code, invitation, six digits, lost keys, revocation.

    The desk opens no records of its browser, and wrong digits let nobody in.
    """
    secret = _make_admin(server, tmp_path)
    server.start()
    desk = new_device("desk", "desk")
    page = desk.start(f"{server.address}/#/unit")

    page.get_by_label("Log-in name").fill("ida.norrwood")
    _log_in(page, PASSWORD, secret)
    expect(page.locator("[data-who]")).to_have_text("Ida Norrwood, Unit administrator")
    assert page.evaluate("document.cookie") == ""

    address = _invite(page)
    expect(page.locator("[data-named]")).to_contain_text("named Tablet 1")
    assert _smallest_target(page) >= 44
    bedside = new_device("tablet")
    tablet = bedside.start(address)
    press(tablet, "Join as this device")
    digits = "".join(tablet.locator("[data-digits]").inner_text().split())
    assert re.fullmatch(r"[0-9]{6}", digits)

    press(page, "Done, hide it")
    waiting = page.locator("[data-waiting]")
    let_in = waiting.get_by_role("button", name=re.compile("^Let .* in$"))
    expect(let_in).to_be_disabled()
    wrong = f"{(int(digits) + 1) % 1_000_000:06d}"
    waiting.get_by_role("textbox").fill(wrong)
    let_in.click()
    expect(page.get_by_text("has other digits")).to_be_visible()
    expect(waiting.get_by_role("textbox")).to_have_value("")
    waiting.get_by_role("textbox").fill(f"{digits[:3]} {digits[3:]}")
    let_in.click()
    expect(waiting).to_have_count(0)
    # The tablet goes on by itself.
    expect(tablet.locator("[data-first-person]")).to_be_visible()
    joined = page.locator("[data-device]")
    press(page, "Rename Tablet 1")
    page.get_by_label("New name of Tablet 1").fill("Room 2")
    press(page, "Give this name")
    expect(joined.get_by_role("strong").first).to_have_text("Room 2")
    tablet = _play_lost_keys(server, page, bedside)

    # Who gives out roles is told who looks after them.
    press(page, "Who looked")
    expect(page.get_by_text("has one of these roles, so nobody looks")).to_be_visible()
    expect(page.get_by_role("button", name="Search", exact=True)).to_have_count(0)

    press(page, "People")
    page.get_by_label("Name").fill("Asa Fenwick")
    page.get_by_role("button", name="Assistant", exact=True).click()
    press(page, "Add Asa Fenwick")
    press(page, "Change Asa Fenwick")
    press(page, "Code for a tablet")
    press(page, "Make the code")
    expect(page.locator("[data-staff-code]")).to_have_text(re.compile(r"^([A-Z2-9]{4}-){3}\w{4}$"))
    assert _smallest_target(page) >= 44

    press(page, "Devices")
    expect(joined).to_have_count(1)
    # What the tablet told after its first exchange: it runs what this server hands out (DM-01).
    expect(joined.locator("[data-told]")).to_have_text(
        re.compile(r"^told .* unsent · .* MB used · build [0-9a-f]{12} · exchange version \d+$")
    )
    for other in ("It runs another build", "another version of the exchange"):
        expect(joined.get_by_text(other)).to_have_count(0)
    joined.get_by_role("button", name=re.compile("^Revoke")).click()
    expect(joined.get_by_role("button", name=re.compile("for good$"))).to_be_visible()
    press(page, "Leave it as it is")
    joined.get_by_role("button", name=re.compile("is lost$")).click()
    # Whose records it could show is asked at once (PRIV-07). Caught: the desk said nothing of that.
    expect(joined.get_by_text(re.compile("crura audit held-by [a-z0-9]{10} --at"))).to_be_visible()
    joined.get_by_role("button", name=re.compile("^Revoke and clear")).click()
    expect(joined).to_have_count(0)
    # Lost, so it clears itself. Caught: the desk asked for a revocation alone.
    expect(tablet.get_by_text("The unit has revoked this tablet.")).to_be_visible(timeout=60_000)

    press(page, "Log out")
    expect(page.get_by_label("Log-in name")).to_be_visible()
    _play_first_log_in(server, page)
    _play_no_app_yet(server, page, tmp_path / "typed")
    kept = page.evaluate(
        "navigator.storage.getDirectory().then(async (folder) => {"
        " const names = []; for await (const name of folder.keys()) names.push(name);"
        " return names; })"
    )
    assert kept == []
    # What is refused is told by a status, which the console of a browser repeats.
    refused = re.compile("40[13]|422")
    assert [one for one in desk.problems if not refused.search(one)] == []
