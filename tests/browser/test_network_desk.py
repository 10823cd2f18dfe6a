"""The desk of the network beside a unit that joins it: digits, a recall, empty parts, one sentence.

Real servers: a hub on a file, and a unit with its own records.
"""

import base64
import re
import secrets
import time

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from playwright.sync_api import expect

from tests.browser.chromium import SIZES
from tests.browser.played_case import press
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser
PAST_CASES = ROOT / "seed_scenarios/past_cases/tarn_hollow.csv"
PASSWORD = "teal lantern over wet slate"
# A status is how a session that is not there, or a refusal, is told; a browser repeats it.
_STATUSES = re.compile(r"\b(401|403)\b")
# Part of the data manager, and what it says while no unit has sent anything.
_EMPTY_PARTS = {
    "Units": "No unit has joined yet.",
    "Same patient?": "Nothing to settle",
    "Recalls": "No recall notice was written here.",
    "Data quality": "No unit has sent a report yet.",
    "Exports": "Nobody has asked for an export.",
    "Protocols": "No version was sent to the units yet.",
}


class ServedHub(ServedBuild):
    """The hub of a network, served from the app that is tested."""

    serve_options = ("--hub",)


@pytest.fixture
def hub(tmp_path):
    server = ServedHub(tmp_path / "hub")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def unit(tmp_path):
    server = ServedBuild(tmp_path / "unit")
    server.start()
    yield server
    server.stop()


class Person:
    """Somebody who logs in at one server, by a password and a code app."""

    def __init__(self, server, typed, name, role):
        self.login = name.lower().replace(" ", ".")
        told = server.crura("staff", "add", "--name", name, "--role", role)
        self.staff = staff = told.split()[-1].rstrip(".")
        typed.write_text(f"{PASSWORD}\n")
        server.crura("staff", "password", staff, "--from-file", str(typed))
        key = re.search(r"Key: ([A-Z2-7 ]+)", server.crura("staff", "totp", staff))
        assert key is not None
        self._secret = base64.b32decode(key[1].replace(" ", ""))
        self._used = 0

    def log_in(self, page):
        """Show name, password and a code that was not used before."""
        page.get_by_label("Log-in name").fill(self.login)
        page.get_by_label("Password").fill(PASSWORD)
        press(page, "Go on")
        while int(time.time()) // 30 == self._used:
            time.sleep(0.5)
        self._used = int(time.time()) // 30
        code = TOTP(self._secret, 6, SHA1(), 30).generate(self._used * 30).decode()  # noqa: S303
        page.get_by_label("Six digits of your code app").fill(code)
        press(page, "Log in")
        expect(page.locator("[data-who]")).to_be_visible()


def _serve_with_patient(tmp_path, name, given, key):
    """Return a unit that serves, with one past case of a woman, and its endoscopist."""
    server = ServedBuild(tmp_path / name)
    person = Person(server, tmp_path / "typed", f"{given} Keeper", "endoscopist")
    lines = PAST_CASES.read_text().splitlines()
    (found,) = [line for line in lines if "Marrowick,Odete," in line]
    past = tmp_path / f"{name}.csv"
    past.write_text(f"{lines[0]}\n{found.replace(',Odete,', f',{given},')}\n")
    because = ("--because", "past cases of the unit")
    server.crura("import-cases", str(past), "--take", "--by", person.staff, *because)
    server.crura("hub", "linkage", "--key-file", str(key))
    server.start()
    return server, person


def _go(page, part):
    page.get_by_role("navigation").get_by_role("button", name=part, exact=True).click()


def _measure(page):
    """Return how far the page runs over to the side, and its smallest target in pixels."""
    return page.evaluate(
        "(() => { const main = document.querySelector('main');"
        " const all = main.querySelectorAll('button, input:not([hidden]), a, summary');"
        " return [main.scrollWidth - main.clientWidth,"
        " Math.min(...[...all].map(each => each.getBoundingClientRect().height))]; })()"
    )


def _expect_calm(device):
    assert [one for one in device.problems if not _STATUSES.search(one)] == []


def test_every_part_of_the_desk_has_a_sentence_while_nobody_has_sent_anything(
    hub, new_device, tmp_path
):
    """[SEC-24] [UX-03] A device served by a hub is led to its desk; parts say that they are empty.

    At each size nothing runs over to the side and no target is lower than 44 px. The browser
    refuses nothing for the page's content policy.
    """
    manager = Person(hub, tmp_path / "typed", "Nell Ashgrove", "data-manager")
    device = new_device("desk", "desk")
    page = device.start(f"{hub.address}/")
    expect(page).to_have_url(re.compile("#/network$"))
    manager.log_in(page)
    for part, sentence in _EMPTY_PARTS.items():
        _go(page, part)
        if part == "Exports":
            # Caught: what an export holds, and what not, was said in its files alone.
            held = page.locator("[data-every-export]")
            expect(held).to_contain_text("Days since the first treatment stand in every export")
            held.get_by_text("Events, 8 columns").click()
            expect(held.get_by_text("happened_day", exact=True)).to_be_visible()
        expect(page.get_by_text(sentence).first).to_be_visible()
        for width, height in SIZES.values():
            page.set_viewport_size({"width": width, "height": height})
            over, smallest = _measure(page)
            assert (over, smallest >= 44) == (0, True), (part, width)
    _go(page, "Who looked")
    press(page, "Search")
    expect(page.get_by_role("row").filter(has_text="log-in").first).to_be_visible()
    # Caught: upright, "Outcome" and "done" were broken into three lines; patients are pseudonyms.
    width, height = SIZES["portrait"]
    page.set_viewport_size({"width": width, "height": height})
    lines = page.locator("th, td:last-child").evaluate_all(
        "all => all.map(one => { const range = document.createRange();"
        " range.selectNodeContents(one); return range.getClientRects().length; })"
    )
    assert set(lines) == {1}
    assert _measure(page)[0] == 0
    expect(page.get_by_label("Pseudonym of the patient: registry_patient/")).to_be_visible()
    press(page, "Log out")
    expect(page.get_by_label("Log-in name")).to_be_visible()
    hub.stop()
    page.get_by_label("Log-in name").fill("nell.ashgrove")
    page.get_by_label("Password").fill(PASSWORD)
    press(page, "Go on")
    press(page, "Log in")
    expect(page.get_by_text("needs the network's server")).to_be_visible()
    _expect_calm(device)


def test_a_unit_is_let_in_by_its_digits_and_answers_a_recall(hub, unit, new_device, tmp_path):
    """[HAZ-46] [SEC-24] [DM-11] Invitation, digits, a notice there and back, a rule file likewise.

    The unit's server is not a hub's: the address of the network's desk says so there. Caught: no
    screen of the hub wrote or approved a version, and one withdrawn was told as merely taken.
    """
    typed = tmp_path / "typed"
    keeper = Person(hub, typed, "Corin Blackmere", "unit-admin")
    manager = Person(hub, typed, "Nell Ashgrove", "data-manager")
    there = Person(unit, typed, "Pell Thistlewood", "data-manager")
    at_hub, at_unit = new_device("hub", "desk"), new_device("unit", "portrait")

    page = at_hub.start(f"{hub.address}/#/network")
    keeper.log_in(page)
    _go(page, "Let units in")
    press(page, "Make an invitation")
    command = page.locator("[data-invitation]").inner_text().split()
    assert command[:3] == ["crura", "hub", "join"]
    unit.crura(*command[1:])

    desk = at_unit.start(f"{unit.address}/#/network")
    expect(desk.get_by_text("This is the server of a unit")).to_be_visible()
    desk.get_by_role("link", name="Open the unit desk").click()
    there.log_in(desk)
    digits = "".join(desk.locator("[data-hub-digits]").inner_text().split())
    assert re.fullmatch(r"[0-9]{6}", digits)
    expect(desk.get_by_text("Recall notices of the network")).to_have_count(0)

    press(page, "Done, hide it")
    waiting = page.locator("[data-waiting]")
    waiting.get_by_role("textbox").fill(digits)
    waiting.get_by_role("button", name=re.compile("^Let .* in$")).click()
    expect(waiting).to_have_count(0)
    unit.crura("hub", "publish")
    _go(page, "Units")
    expect(page.locator("[data-unit]")).to_have_count(1)
    press(page, "Log out")

    manager.log_in(page)
    _go(page, "Recalls")
    page.get_by_label("Lots, several").fill("L-0417-F")
    write = page.get_by_role("button", name="Write it and tell all units")
    expect(write).to_have_count(0)
    press(page, "Count first")
    page.get_by_label("Why the devices are recalled").fill("The pusher may not let go.")
    write.click()
    notice = page.locator("[data-notice]")
    expect(notice).to_contain_text("1 has not acknowledged")

    unit.crura("hub", "publish")
    press(desk, "Ask again")
    here = desk.locator("[data-notice]")
    expect(here).to_contain_text("The pusher may not let go.")
    press(desk, "Acknowledge it and search here")
    press(desk, "All is done: close")
    assert _measure(desk)[0] == 0
    press(desk, "Close the notice")
    expect(here).to_contain_text("Closed")
    unit.crura("hub", "publish")
    page.get_by_role("button", name="Ask again").click()
    expect(notice).to_contain_text("1 of 1 closed")
    isolde = Person(hub, typed, "Isolde Fenmarch", "endoscopist")
    at_endoscopist = new_device("endoscopist", "desk")
    _write_and_send_limits(page, isolde, at_endoscopist.start(f"{hub.address}/#/network"))
    clinician = Person(unit, typed, "Wren Quillfeather", "endoscopist")
    _put_limits_in_force(unit, desk, clinician.staff)
    _withdraw_limits(unit, page)
    _expect_calm(at_endoscopist)
    _expect_calm(at_hub)
    _expect_calm(at_unit)


def _write_and_send_limits(page, endoscopist, other):
    """Write a lower limit as data manager, approve it with the endoscopist, and send it."""
    _go(page, "Protocols")
    press(page, "Begin with the text in force")
    press(page, "Factors and limits of needle, coil and adhesive")
    text = page.get_by_label("Text of the rule file")
    content = text.input_value()
    text.fill(content.replace('"amount": 4000', '"amount": -3'))
    press(page, "Check it")
    expect(page.locator("[data-faults] li")).to_have_count(1)
    text.fill(content.replace('"amount": 4000', '"amount": 3000'))
    press(page, "Check it")
    change = "Adhesive (pure) in a session, limit of caution changes from 4 mL to 3 mL."
    expect(page.get_by_text(change)).to_be_visible()
    expect(page.get_by_text("No other version is in force here.")).to_be_visible()
    page.get_by_role("button", name=re.compile("as a draft$")).click()
    approvals = page.locator("[data-approvals]")
    expect(approvals).to_contain_text("Two people still have to approve it, one of them an endosc")
    page.get_by_role("button", name=re.compile("^Approve")).click()
    expect(approvals).to_contain_text("One more person still has to approve it: an endoscopist.")
    expect(page.get_by_role("button", name=re.compile("^Send"))).to_have_count(0)
    assert _measure(page)[0] == 0

    endoscopist.log_in(other)
    other.get_by_role("button", name="sizing/limits", exact=True).click()
    other.get_by_role("button", name=re.compile("^version 1001")).click()
    expect(other.get_by_text(change)).to_be_visible()
    other.get_by_role("button", name=re.compile("^Approve")).click()
    expect(other.get_by_role("button", name="version 1001, in force", exact=True)).to_be_visible()
    expect(other.get_by_role("button", name=re.compile("^Send"))).to_have_count(0)

    page.get_by_role("button", name="Ask again").click()
    page.get_by_role("button", name=re.compile("^version 1001, in force")).click()
    page.get_by_role("button", name=re.compile("^Send")).click()
    press(page, "Agreed by the network")
    expect(page.locator("[data-sent]")).to_contain_text("0 of 1 units have it")


def _put_limits_in_force(unit, desk, second):
    """Take the version at the unit's desk, and let two people of the unit approve it."""
    unit.crura("hub", "publish")
    _go(desk, "My log-ins")
    _go(desk, "From the network")
    proposal = desk.locator("[data-proposal]")
    expect(proposal).to_contain_text("limit of caution changes from 4 mL to 3 mL.")
    press(desk, "Take it as a draft")
    press(desk, "To be approved here")
    expect(proposal).to_contain_text("A draft here")
    press(desk, "Approve it from today")
    press(desk, "Read, and agrees with local protocol")
    expect(proposal.get_by_role("button", name="Approve it from today")).to_be_visible()
    assert _measure(desk)[0] == 0
    # The other one by command, which wants the server stopped.
    unit.stop()
    unit.crura("rules", "approve", "sizing/limits", "1001", "--by", second)
    unit.start()
    unit.crura("hub", "publish")


def _withdraw_limits(unit, page):
    """Withdraw the version at the hub: it is marked until the unit has retired it."""
    page.get_by_role("button", name="Ask again").click()
    at_unit = page.locator("[data-sent] [data-at]")
    expect(at_unit).to_contain_text("in force since")
    expect(page.locator("[data-counting]")).to_contain_text("version 1001")
    press(page, "Withdraw it")
    press(page, "A value in it is wrong")
    expect(at_unit).to_contain_text("withdrawn, and in force there since")
    expect(page.locator("[data-sent]")).to_contain_text("1 unit still holds it")
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        assert _measure(page)[0] == 0, width


def _ask_until(page, found):
    """Ask the list again until it shows what is waited for: the hub looks every 15 s."""
    for _ in range(20):
        if found.count() > 0:
            return
        page.wait_for_timeout(3_000)
        page.get_by_role("button", name="Ask again").first.click()
    expect(found).to_have_count(1)


def test_a_woman_of_two_units_is_joined_by_two_voices_and_parted_again(hub, new_device, tmp_path):
    """[HAZ-41] [HAZ-42] [SEC-24] [NL3] No name at the hub; her name at her unit alone.

    Caught: one person alone parted them, and what was parted could not be opened again.
    """
    managers = [
        Person(hub, tmp_path / "typed", name, "data-manager")
        for name in ("Nell Ashgrove", "Juno Marrowby")
    ]
    key = tmp_path / "network.key"
    key.write_text(f"{secrets.token_hex()}\n")
    units = []
    try:
        for name, given in (("tarn", "Odete"), ("marlow", "Odette")):
            units.append(_serve_with_patient(tmp_path, name, given, key))
            told = hub.crura(
                "device", "invite", "--role", "unit", "--trusted", "--address", hub.address
            )
            units[-1][0].crura("hub", "join", told.splitlines()[1])
            units[-1][0].crura("hub", "publish")
        _join_and_part(hub, managers, units[0], new_device)
    finally:
        for server, _ in units:
            server.stop()


def _join_and_part(hub, managers, unit, new_device):
    server, clinician = unit
    manager, other = managers
    at_hub, at_unit = new_device("hub", "desk"), new_device("unit", "tall")
    page = at_hub.start(f"{hub.address}/#/network")
    manager.log_in(page)
    _go(page, "Same patient?")
    link = page.locator("[data-link]")
    _ask_until(page, link)
    link.get_by_role("button", name=re.compile("^Look at the pair")).click()
    expect(link.locator("[data-trait='names']")).to_contain_text("alike")
    expect(link.locator("[data-trait='day of birth']")).to_contain_text("the same")
    expect(link.locator("[data-trait='sum']")).to_contain_text("+")
    expect(link.get_by_text("2 identifiers agree")).to_be_visible()
    assert "Marrowick" not in page.content()
    press(page, "They are one person")
    expect(link.get_by_text("Another person has to say so too")).to_be_visible()
    expect(link.get_by_role("button", name="They are one person")).to_have_count(0)
    press(page, "Take back what I said")
    press(page, "They are one person")
    # At the hub before the unit asks it.
    expect(link.get_by_text("Another person has to say so too")).to_be_visible()

    server.crura("hub", "publish")
    desk = at_unit.start(f"{server.address}/#/unit")
    clinician.log_in(desk)
    proposal = desk.locator("[data-proposal]")
    expect(proposal).to_contain_text("Marrowick, Odete")
    proposal.get_by_role("button", name="The same", exact=True).click()
    expect(proposal).to_contain_text("Answered")
    server.crura("hub", "publish")

    press(page, "Joined")
    _ask_until(page, link)
    link.get_by_role("button", name=re.compile("^Look at the pair")).click()
    press(page, "Say that they be parted")
    press(page, "They were joined in error")
    expect(link.get_by_text("Joined still.")).to_be_visible()
    press(page, "Log out")
    other.log_in(page)
    _go(page, "Same patient?")
    link.get_by_role("button", name=re.compile("^Look at the pair")).click()
    expect(link.get_by_text("parted: They were joined in error")).to_be_visible()
    press(page, "Part them: you are the second")
    press(page, "They were joined in error")
    expect(link.get_by_text("Not joined.")).to_be_visible()
    press(page, "Open it again")
    press(page, "Something new is known")
    expect(link.get_by_role("button", name="They are one person")).to_be_visible()
    _expect_calm(at_hub)
    _expect_calm(at_unit)
