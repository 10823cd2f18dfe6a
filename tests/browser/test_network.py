"""The demonstrated network as two data managers of the hub and one of each unit use it."""

import base64
import re
import subprocess
import time
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from playwright.sync_api import expect

from tests.browser.played_case import press
from tests.browser.unit_server import CRURA, ROOT, free_port

pytestmark = pytest.mark.browser
PASSWORD = "amber kettle under dry birch"
LOT = "L-0417-F"
REASON = "Loops may open too early"


class Network:
    """`crura demo --network` in a process of its own, and what it told."""

    def __init__(self) -> None:
        self.port = free_port()
        self._process = subprocess.Popen(
            [*CRURA, "demo", "--network", "--port", str(self.port)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=ROOT,
        )
        self.told = ""
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.told += line
            if line.startswith("Not a certified"):
                break
        else:
            raise AssertionError(self.told)
        self.codes = re.findall(r"first code (\S+)", self.told)
        self.folder = Path(re.search(r"--data (\S+)/hub", self.told)[1])

    def address(self, place: int) -> str:
        """Return the address of the first unit (0), the second (1) or the hub (2)."""
        return f"http://127.0.0.1:{self.port + place}"

    def publish(self) -> None:
        """Let both units talk to the hub now."""
        for unit in ("tarn_hollow", "marlow_fen"):
            done = subprocess.run(
                [*CRURA, "hub", "publish", "--data", str(self.folder / unit)],
                capture_output=True,
                text=True,
                check=False,
            )
            assert (done.returncode, done.stdout) == (0, "Done. Not sent yet: 0.\n"), done.stderr

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(timeout=90)


@pytest.fixture
def network():
    running = Network()
    yield running
    running.stop()
    assert not running.folder.exists()


class Desk:
    """One person at a desk in a browser of their own."""

    def __init__(self, new_device, name: str, address: str, code: str) -> None:
        self.device = new_device(name, "desk")
        self.page = self.device.start(address)
        press(self.page, "First log-in with a one-time code")
        self.page.get_by_label("One-time code").fill(code)
        self.page.get_by_label("New password").fill(PASSWORD)
        press(self.page, "Set the password")
        key = self.page.locator("[data-secret]").inner_text().replace(" ", "")
        press(self.page, "The app has it, log in")
        self.page.get_by_label("Password").fill(PASSWORD)
        press(self.page, "Go on")
        digits = TOTP(base64.b32decode(key), 6, SHA1(), 30).generate(int(time.time())).decode()  # noqa: S303
        self.page.get_by_label("Six digits of your code app").fill(digits)
        press(self.page, "Log in")
        expect(self.page.locator("[data-who]")).to_be_visible()

    def part(self, name: str):
        """Open a part of the desk anew, so that it is asked of the server."""
        for one in ("My log-ins", name):
            self.page.get_by_role("navigation").get_by_role("button", name=one).click()
        return self.page


def test_two_units_are_one_honest_picture(network, new_device):
    """[DM-01] [DM-05] [DM-06] [DM-09] [DM-10] [HAZ-46] [SEC-24] Units, link, recall, figures."""
    # given: a data manager at the hub sees both units, and no name of a patient
    nell = Desk(new_device, "nell", f"{network.address(2)}/#/network", network.codes[0])
    page = nell.part("Units")
    expect(page.locator("[data-unit]")).to_have_count(2)
    expect(page.locator("main")).to_contain_text("none is silent")

    # when: two of the hub say that two records are one woman
    page = nell.part("Same patient?")
    for _ in range(60):
        # The hub looks for likenesses by itself, soon after something arrived; the likeliest comes
        # first, and stands there once both units have sent all of theirs.
        if page.locator("[data-link]").first.filter(has_text="99 in 100").count():
            break
        expect(page.get_by_role("button", name="Ask again")).to_be_enabled()
        press(page, "Ask again")
        page.wait_for_timeout(1_000)
    expect(page.locator("[data-link]").first).to_contain_text("99 in 100")
    expect(page.locator("body")).not_to_contain_text("Marrowick")
    press(page, "Look")
    expect(page.locator("[data-side]")).to_have_count(2)
    press(page, "They are one person")
    expect(page.locator("main")).to_contain_text("You said so (Nell Ashgrove)")
    corin = Desk(new_device, "corin", f"{network.address(2)}/#/network", network.codes[1])
    other = corin.part("Same patient?")
    press(other, "Look")
    press(other, "They are one person: join them")
    # The list of the joined is asked for once: before the answer it would be without this one.
    expect(other.locator("main")).to_contain_text("Joined; so said")
    press(corin.part("Same patient?"), "Joined")

    # then: they are joined, and who agreed stands there
    expect(other.locator("[data-link]")).to_have_count(1)
    press(other, "Look")
    expect(other.locator("main")).to_contain_text("Nell Ashgrove")
    expect(other.locator("main")).to_contain_text("Corin Blackmere")

    # when: a lot is recalled at the hub; then: both units find it in their own records and answer
    page = nell.part("Recalls")
    page.get_by_label("Lots, several parted by commas").fill(LOT)
    press(page, "Count first")
    expect(page.locator("[data-counts]")).to_contain_text(re.compile(r"at most \d+ exact, .* near"))
    page.get_by_label("Why the devices are recalled").fill(REASON)
    page.get_by_label("Day of the notice").fill(time.strftime("%Y-%m-%d", time.gmtime()))
    press(page, "Write it and tell all units")
    expect(page.locator("[data-notice] [data-unit]")).to_have_count(2)
    expect(page.locator("[data-notice]")).to_contain_text("2 have not acknowledged")
    network.publish()
    for place, name, patient in ((0, "pell", "Fenwright"), (1, "gale", "Marrowick")):
        unit = Desk(
            new_device, name, f"{network.address(place)}/#/unit", network.codes[3 + 2 * place]
        )
        own = unit.part("From the network")
        notice = own.locator("[data-notice]")
        expect(notice).to_contain_text(REASON)
        # Caught: the button stood far below, behind every patient whom the notice touches.
        act = notice.get_by_role("button", name="Acknowledge it and search here")
        first = notice.locator("[data-patient]").first
        assert act.bounding_box()["y"] < first.bounding_box()["y"]
        press(notice, "Acknowledge it and search here")
        expect(notice).to_contain_text(patient)
        press(notice, "All is done: close")
        press(notice, "Close the notice")
        expect(notice).to_contain_text("Closed")
    network.publish()
    page = nell.part("Recalls")
    expect(page.locator("[data-notice]")).to_contain_text("2 of 2 closed")
    expect(page.locator("[data-notice]")).to_contain_text(
        re.compile(r"[1-9]\d* with an exact find, \d+ with a near one alone")
    )
    expect(page.locator("body")).not_to_contain_text("Fenwright")

    # then: figures are drawn of both units together, each with its table
    page = nell.part("Outcomes")
    expect(page.locator("[data-picture][data-drawn=true]").first).to_be_visible()
    expect(page.locator("main")).to_contain_text("cases, treated at any time")
    expect(page.locator("main")).to_contain_text("Not a ranking")
    # Caught: the demonstrated units were so small that no limits could be drawn around them.
    page.get_by_label("Units around all cases: which outcome?").select_option("Obliteration")
    funnel = page.locator("[data-figure]").filter(has_text="Units around all cases together")
    expect(funnel.locator("[data-drawn=true]")).to_be_visible()
    expect(funnel).to_contain_text("Of the units drawn: ")
    page.get_by_role("button", name="Show the table").first.click()
    expect(page.locator("table").first).to_be_visible()
    for desk in (nell, corin):
        # Asking who is logged in, before anybody is, answers 401.
        assert [one for one in desk.device.problems if "401" not in one] == []
