"""A name like another of today is said wherever a patient is picked or a case begins (SOFT-11)."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild

pytestmark = pytest.mark.browser

REMARK = "[data-gate=SOFT-11]"


def test_a_like_name_is_said_at_the_pick_and_beside_the_digits(
    tmp_path: Path, new_device: Callable[..., Device]
):
    """[SOFT-11] On Cases, in the list of a new case, and where identity is entered again.

    Caught a planted bug: the digits asked for without the remark beside the name.
    """
    server = ServedBuild(tmp_path / "like-names")
    server.start()
    try:
        page = new_device("like-names", "portrait").start(server.invite("bedside"))
        case.join(page)
        case.go(page, "Cases")
        case.add_patient_and_case(page, "Tarnbrook", "Imre")
        case.go(page, "Procedure")
        expect(page.get_by_text("Press the digits from the wristband.")).to_be_visible()
        expect(page.locator(REMARK)).to_have_count(0)

        case.go(page, "Cases")
        case.add_patient_and_case(page, "Tarnbrooke", "Odile")
        case.go(page, "Procedure")
        remark = page.locator(f"section.check {REMARK}")
        expect(remark).to_contain_text("Tarnbrook, Imre")
        # Quiet: it stands beside the name, and the digits open the case as ever.
        expect(page.get_by_role("dialog")).to_have_count(0)
        page.get_by_role("button", name="1", exact=True).first.click()
        expect(remark).to_be_visible()

        case.go(page, "Cases")
        rows = page.locator("[data-case]")
        expect(rows.filter(has_text="Odile").locator(REMARK).first).to_contain_text("Imre")
        case.press(page, "New case")
        page.get_by_label("Name or local number").fill("tarnbro")
        picked = page.get_by_role("button", name=re.compile("^Open a case for"))
        expect(picked).to_have_count(2)
        expect(picked.filter(has_text="Tarnbrook, Imre · ").locator(REMARK).first).to_be_visible()
        expect(picked.first.locator(REMARK)).to_have_count(1)
    finally:
        server.stop()
