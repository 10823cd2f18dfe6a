"""A case from scanned packages to signed report, implant card and FHIR bundle, without a network.

Then the unit, once it is reached: the same devices in its bundle and papers, and its lot search
finds the patient.
"""

import io
import json
import re
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Page, Playwright, expect

from api.documents.fhir_checks import check_bundle
from tests.browser import played_case as case
from tests.browser.chromium import Device
from tests.browser.hand_scanner import scan_by_hand
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

SHEET = "[data-paper-sheet]"
# Identifier and lot of each package, as the unit's invented stock has them.
PACKAGES = {
    "needle": ("00400010001101", "L-0633-A"),
    "coil": ("00400010000609", "L-0417-F"),
    "adhesive": ("00400010001309", "L-0755-A"),
}
NEVER_OPENED = "L-0702-A"


def label(item: str) -> str:
    identifier, lot = PACKAGES[item]
    return f"01{identifier}1729011010{lot}"


def read_paper(page: Page, name: str) -> str:
    """Open a paper, return what stands on it, and go back to the case."""
    papers = page.locator("section", has=page.get_by_role("heading", name="Papers", exact=True))
    papers.get_by_role("button", name=name).click()
    article = page.locator(f"{SHEET} article")
    expect(article).to_be_visible()
    said = article.inner_text()
    page.locator(SHEET).get_by_role("button", name="Back to the case").click()
    expect(page.locator(SHEET)).to_have_count(0)
    return said


def lots_of(bundle: dict) -> set[str]:
    resources = [entry["resource"] for entry in bundle["entry"]]
    return {one["lotNumber"] for one in resources if "lotNumber" in one}


def play(page: Page) -> None:
    """Play the case, each package scanned where its step asks for it; close and sign it."""
    case.pass_steps(page, "Needle flushed, no air?")
    assert PACKAGES["needle"][1] in scan_by_hand(page, label("needle"))
    case.pass_steps(page, "Which package is open?")
    assert PACKAGES["coil"][1] in scan_by_hand(page, label("coil"))
    case.pass_steps(page, "What comes next?")
    case.press(page, "Inject adhesive")
    case.wait_for_redraw(page, "What comes next?")
    assert PACKAGES["adhesive"][1] in scan_by_hand(page, label("adhesive"))
    case.pass_steps(page, "All steps passed")
    case.primary(page).click()
    expect(page.get_by_role("heading", name="Close-out")).to_be_visible()
    expect(page.locator("[data-missing]")).to_have_count(0)
    case.make_follow_up_plan(page)
    case.close_out(page, "Wren")


def test_scanned_packages_reach_report_card_bundle_and_the_search(
    tmp_path: Path, playwright_driver: Playwright
):
    """[UX-17] [HAZ-46] [DM-07] Every scanned lot is on each paper, and no other lot is."""
    server = ServedBuild(tmp_path)
    story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", story, "--as-if-today", "today")
    server.start()
    (tmp_path / "profile").mkdir()
    device = Device(playwright_driver, tmp_path / "profile", "tall")
    try:
        page = device.start(server.invite("bedside"))
        case.join(page)
        case.choose_who_taps(page, "Otis")
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        case.add_patient_and_case(page, "Quillmere", "Dorothea")
        case.fill_plan(page)
        case.confirm_identity(page)
        expect(page.locator("[data-primary]")).to_be_visible()
        server.stop()
        play(page)

        # without a network
        report = read_paper(page, "Report of the procedure")
        card = read_paper(page, "Implant card")
        with page.expect_download() as waiting:
            case.press(page, "Save as FHIR R4B")
        bundle = json.loads(Path(waiting.value.path()).read_text())
        placed = {PACKAGES["coil"][1], PACKAGES["adhesive"][1]}
        check_bundle(bundle)
        assert lots_of(bundle) == placed
        for lot in placed:
            assert lot in report
            assert lot in card
        assert PACKAGES["needle"][1] in report
        assert "Dr Wren Quillfeather" in report
        assert NEVER_OPENED not in report + card

        # and at the unit
        server.start()
        page.evaluate("window.dispatchEvent(new Event('online'))")
        case.wait_until_sent(page, within_s=90)
        server.stop()
        found = re.search(r"#/case/([^/]+)/", page.evaluate("location.hash"))
        assert found is not None
        own = json.loads(server.crura("export-fhir", found[1]))
        assert lots_of(own) == placed
        for document in ("procedure-report", "implant-card"):
            target = tmp_path / f"{document}.pdf"
            server.crura("print-document", document, found[1], "--to", str(target))
            pages = pypdf.PdfReader(io.BytesIO(target.read_bytes())).pages
            printed = " ".join(one.extract_text() for one in pages)
            assert all(lot in printed for lot in placed), document
        who = ("--by", "staff/otis-bramblewick", "--because", "recall notice")
        assert "Quillmere" in server.crura("find-lot", PACKAGES["coil"][1], *who)
        assert "Quillmere" not in server.crura("find-lot", NEVER_OPENED, *who)
        assert device.problems == []
    finally:
        device.kill()
        server.stop()
