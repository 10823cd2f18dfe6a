"""A tablet joins by a link: it shows six digits, and goes on by itself once they were compared.

Plays the built app and the real server. Cites RQ4, RQ6, RQ7 and RQ8.
"""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser import played_case as case
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

AT_REST, NO_NETWORK = "All at the unit", "No network"


def test_a_tablet_waits_for_its_digits_and_exchanges_until_it_is_revoked(
    server: UnitServer, new_device
):
    """[RQ4] [RQ6] [RQ7] The digits are those of the tablet's own key, also after a reload."""
    story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", story, "--as-if-today", "today")
    server.start()
    page = new_device("tablet").start(server.invite("bedside", is_trusted=False))

    case.press(page, "Join as this device")
    digits = page.locator("[data-digits]")
    expect(digits).to_be_visible()
    shown = re.sub(r"\D", "", digits.inner_text())
    device, _, first, last, *_ = server.crura("device", "list").split()
    assert first + last == shown
    page.reload()
    expect(digits).to_have_text(re.compile(f"{first}.*{last}", re.DOTALL))
    assert "is in" in server.crura("device", "confirm", device, first, last)
    expect(digits).to_be_hidden()
    case.choose_first_pin(page)

    status = page.locator("[data-status=unsent]")
    expect(status).to_have_text(AT_REST, timeout=60_000)

    # None of the nonces of before is good now: the tablet asks anew by itself.
    server.stop()
    _ask_now(page)
    expect(status).to_have_text(NO_NETWORK, timeout=60_000)
    server.start()
    _ask_now(page)
    expect(status).to_have_text(AT_REST, timeout=60_000)

    server.crura("device", "revoke", device)
    _ask_now(page)
    expect(page.get_by_text("This device was revoked")).to_be_visible(timeout=60_000)


def _ask_now(page: Page) -> None:
    """Let the tablet exchange at once, as it does when its network comes back."""
    page.evaluate("() => window.dispatchEvent(new Event('online'))")
