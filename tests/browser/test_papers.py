"""The papers of a case on a tablet: written, drawn, printed and given without a network.

It caught a card's code stretched by its column, a sheet wider than the tablet, and a screen that
had lost its papers.
"""

import base64
import io
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdf
import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

CASE = "oxbarrow-1"
SHEET = "[data-paper-sheet]"


@dataclass
class Ward:
    """A tablet with a seeded case that was signed on it, and the unit."""

    server: ServedBuild
    device: Device

    @property
    def page(self) -> Page:
        return self.device.page


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Iterator[Ward]:
    folder = tmp_path_factory.mktemp("papers")
    server = ServedBuild(folder)
    stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
    server.crura("load-scenario", *stories, "--as-if-today", "today")
    server.start()
    (folder / "profile").mkdir()
    device = Device(playwright_driver, folder / "profile", "tall")
    try:
        page = device.start(server.invite("bedside"))
        case.join(page)
        expect(page.locator("[data-case]").first).to_be_visible()
        # What came after the signature would be a change since.
        case.wait_until_all_has_come(page)
        case.choose_who_taps(page, "Wren")
        go(page, "close-out")
        sign(page)
        yield Ward(server, device)
    finally:
        device.kill()
        server.stop()


def go(page: Page, place: str) -> None:
    page.evaluate("address => { location.hash = address }", f"#/case/{CASE}/{place}")
    # The place left has papers of the same names.
    heading = page.get_by_role("heading", name=place.capitalize(), exact=True)
    expect(heading.first).to_be_visible()


def sign(page: Page) -> None:
    case.answer(page, "Technical success", "Yes")
    case.answer(page, "Nil by mouth", "4 h")
    part = page.locator("section", has=page.get_by_role("heading", name="Sign", exact=True))
    part.get_by_role("button", name=re.compile("Wren")).click()
    hold = part.get_by_role("button", name=re.compile("^Hold 1 s: sign"))
    hold.scroll_into_view_if_needed()
    hold.click(delay=1_400)
    case.confirm_by_pin(page)
    expect(page.get_by_text("Nothing has changed since.")).to_be_visible()


def open_paper(page: Page, name: str) -> None:
    part = page.locator("section", has=page.get_by_role("heading", name="Papers", exact=True))
    part.get_by_role("button", name=name).click()
    expect(page.locator(f"{SHEET} article")).to_be_visible()


def texts_of(page: Page) -> list[str]:
    """Return every text of the paper on screen but those within drawings."""
    return page.locator(f"{SHEET} article").evaluate(  # type: ignore[no-any-return]
        """article => [...article.querySelectorAll('h1, h2, dt, dd, th, td, li, p, footer p')]
          .filter(node => !node.closest('figure') && !node.querySelector('br'))
          .map(node => node.textContent.trim()).filter(Boolean)"""
    )


def draw_large(code: Locator) -> np.ndarray:
    """Return a code of the page as grey pixels, as large as a printer would draw it."""
    drawn = code.evaluate(
        """async image => {
          await image.decode();
          const canvas = document.createElement('canvas');
          canvas.width = canvas.height = 600;
          const pen = canvas.getContext('2d');
          pen.fillStyle = '#fff';
          pen.fillRect(0, 0, 600, 600);
          pen.drawImage(image, 0, 0, 600, 600);
          return canvas.toDataURL('image/png').split(',')[1];
        }"""
    )
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(drawn))).convert("L"))


def squeeze(text: str) -> str:
    # A browser may print two letters as one sign.
    return re.sub(r"\s|:", "", unicodedata.normalize("NFKC", text))


def read_pdf(content: bytes) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


def press_in_sheet(page: Page, words: str) -> None:
    page.locator(SHEET).get_by_role("button", name=re.compile(f"^.?{words}")).first.click()


def test_a_report_is_printed_without_a_network_and_says_what_the_unit_prints(
    ward: Ward, tmp_path: Path
):
    """[UX-17] [HAZ-04] Text by text against the PDF of `crura print-document`."""
    page = ward.page
    case.wait_until_sent(page)
    ward.server.stop()
    open_paper(page, "Report of the procedure")
    drawing = page.locator(f"{SHEET} svg[role=img]")
    expect(drawing).to_have_count(1)
    said = texts_of(page)
    printed = read_pdf(page.pdf(format="A4"))
    press_in_sheet(page, "Back to the case")
    expect(page.locator(SHEET)).to_have_count(0)
    ward.server.crura(
        "print-document", "procedure-report", CASE, "--to", str(tmp_path / "report.pdf")
    )
    ward.server.start()
    unit = squeeze(read_pdf((tmp_path / "report.pdf").read_bytes()))

    assert len(said) > 120
    assert [text for text in said if squeeze(text) not in unit] == []
    assert [text for text in said if squeeze(text) not in squeeze(printed)] == []
    assert "Dr Wren Quillfeather" in printed
    assert "Not signed" not in printed
    for words in ("Back to the case", "Fetch as PDF", "Workup", "Wren taps"):
        assert words not in printed


def test_both_sorts_of_code_are_drawn_without_a_network_and_scan_back(ward: Ward):
    """[HAZ-46] The card in the dark of a lift: no network from the moment it was opened once."""
    page = ward.page
    go(page, "surveillance")
    open_paper(page, "Implant card")
    expect(page.locator(f"{SHEET} img[data-code=qr]").first).to_be_visible()
    press_in_sheet(page, "Back to the case")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    ward.server.stop()
    page.goto(f"{ward.server.address}/#/case/{CASE}/surveillance")
    case.come_back(page)
    open_paper(page, "Implant card")
    face = page.locator(f"{SHEET} [data-face='0']")
    expect(face.locator("img[data-code=qr]")).to_be_visible()
    box = face.bounding_box()
    assert box is not None
    (read,) = zxingcpp.read_barcodes(draw_large(face.locator("img[data-code=qr]")))
    (gs1,) = zxingcpp.read_barcodes(
        draw_large(page.locator(f"{SHEET} img[data-code=matrix]").first)
    )
    press_in_sheet(page, "Back to the case")
    ward.server.start()

    assert "Coil 15 mm" in read.text
    assert gs1.content_type == zxingcpp.ContentType.GS1
    assert gs1.text in read.text
    assert "Oxbarrow" not in read.text
    assert (box["width"], box["height"]) == pytest.approx((85.6 * 96 / 25.4, 54 * 96 / 25.4), abs=1)


def test_a_paper_is_given_once_in_the_language_chosen(ward: Ward):
    """[HAZ-50] A draft is said to be one, and what was given stands under the papers."""
    page = ward.page
    go(page, "surveillance")
    open_paper(page, "Leaflet for the patient")
    press_in_sheet(page, "German")
    expect(page.get_by_text("Nach Ihrer Behandlung")).to_be_visible()
    expect(page.locator(SHEET).get_by_text("nobody has reviewed these sentences")).to_be_visible()
    press_in_sheet(page, "Given")
    press_in_sheet(page, "Back to the case")

    expect(page.get_by_text(re.compile("Leaflet for the patient: given"))).to_have_count(1)


def test_the_pdf_is_fetched_from_the_unit(ward: Ward):
    page = ward.page
    go(page, "surveillance")
    case.wait_until_sent(page)
    open_paper(page, "Implant card")
    with page.expect_download() as waiting:
        press_in_sheet(page, "Fetch as PDF")
    content = Path(waiting.value.path()).read_bytes()
    expect(page.locator(SHEET).get_by_text("Saved where downloads go.")).to_be_visible()
    press_in_sheet(page, "Back to the case")

    assert waiting.value.suggested_filename == f"implant-card-{CASE}.pdf"
    assert "Oxbarrow" in read_pdf(content)


@pytest.mark.parametrize("size", list(SIZES))
def test_every_button_of_the_sheet_is_for_a_finger_and_nothing_scrolls_sideways(
    ward: Ward, size: str
):
    """[UX-01]"""
    page = ward.page
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    go(page, "close-out")
    open_paper(page, "Report of the procedure")
    expect(page.locator(f"{SHEET} button")).to_have_count(7)
    boxes = [one.bounding_box() for one in page.locator(f"{SHEET} button").all()]
    sideways = page.locator(SHEET).evaluate("node => node.scrollWidth - node.clientWidth")
    press_in_sheet(page, "Back to the case")

    assert len(boxes) == 7
    assert [box for box in boxes if box and (box["height"] < 95.5 or box["width"] < 95.5)] == []
    assert sideways <= 0


def test_the_tablet_made_no_error(ward: Ward):
    assert ward.device.problems == []
