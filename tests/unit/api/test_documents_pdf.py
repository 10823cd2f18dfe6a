"""The papers as PDF: tagged, to be kept, the same bytes, read back; codes that scan back.

Planted bugs that this caught: a drawing without words, a document without its language, the
timestamp from the clock, the long axis drawn with the radius of the short one, a QR code without
its quiet zone.
"""

import io
import re
import unicodedata

import msgspec
import numpy as np
import pikepdf
import pypdf
import pypdfium2 as pdfium
import pytest
import zxingcpp
from PIL import Image

from api.clinical_rules.device_label import read_device_label
from api.documents.device_codes import CodeError, draw_matrix, draw_qr
from api.documents.paper import PAPER_KINDS, Drawing, Paper
from api.documents.paper_layout import print_paper
from api.documents.printing import PrintingError
from api.documents.shown_case import ShownCase
from api.documents.target_drawing import draw_target
from api.use_cases.make_documents import choose_words_for, write_paper
from tests.unit.api.paper_vectors import ON, shown_case
from tests.unit.api.twin_engine import packaged_rule_book

LANGUAGES = ("en", "de", "es")
PICTURE = "ab" * 32


def _jpeg():
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (120, 60, 20)).save(out, "JPEG")
    return out.getvalue()


def _no_picture(_name):
    return None


def _write(kind, language="en", change=None):
    words = choose_words_for(kind, language)
    shown = msgspec.convert(shown_case("closed_case", change or {}), ShownCase)
    return write_paper(kind, shown, packaged_rule_book(ON), words), words


def _print(kind, language="en", change=None, read_picture=_no_picture):
    paper, words = _write(kind, language, change)
    on = (change or {}).get("on", ON)
    return print_paper(paper, words, on=on, read_picture=read_picture)


def _text(pdf):
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def _elements(node):
    """Yield every element of the structure tree."""
    if isinstance(node, pikepdf.Dictionary) and "/S" in node:
        yield node
    kids = node.get("/K", []) if isinstance(node, pikepdf.Dictionary) else []
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary):
            yield from _elements(kid)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_a_paper_is_tagged_named_and_to_be_kept(kind, language):
    """PDF/UA-1 and PDF/A-2a as far as a file can be looked at from outside."""
    with pikepdf.open(io.BytesIO(_print(kind, language))) as pdf:
        root = pdf.Root
        title = str(pdf.docinfo["/Title"])
        with pdf.open_metadata() as metadata:
            assert metadata["pdfuaid:part"] == "1"
            assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("2", "A")
            assert metadata["dc:title"] == title != ""
        assert bool(root.MarkInfo.Marked)
        assert str(root.Lang) == language
        assert bool(root.ViewerPreferences.DisplayDocTitle)
        elements = list(_elements(root.StructTreeRoot))
        roles = {str(one.S) for one in elements}
        assert "/H1" in roles
        assert all("/StructParents" in page for page in pdf.pages if "/Annots" not in page)
        figures = [one for one in elements if str(one.S) == "/Figure"]
        assert all(str(one.get("/Alt", "")) for one in figures)
        if kind == "implant-card":
            assert len(figures) == 2
            assert {tuple(round(float(x), 1) for x in page.MediaBox) for page in pdf.pages} == {
                (0, 0, round(85.6 * 72 / 25.4, 1), round(54 * 72 / 25.4, 1))
            }
        else:
            assert {"/H1", "/P"} <= roles
            assert [float(x) for x in pdf.pages[0].MediaBox][2:] == pytest.approx(
                [595.28, 841.89], abs=0.1
            )
        if kind == "procedure-report":
            assert {"/H2", "/Table", "/TH", "/TD", "/Figure"} <= roles
        fonts = [one for one in pdf.objects if _is_font(one)]
        assert fonts
        assert all("/ToUnicode" in one for one in fonts if str(one.Subtype) == "/Type0")


def _is_font(one):
    return isinstance(one, pikepdf.Dictionary) and str(one.get("/Type", "")) == "/Font"


@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_the_same_case_on_the_same_day_gives_the_same_bytes(kind):
    assert _print(kind) == _print(kind)
    assert _print(kind) != _print(kind, change={"on": "2026-03-17"})


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_report_says_everything_that_its_content_says(language):
    """Every text of the content is read back from the PDF."""
    change = {"is_changed": True}
    paper, _ = _write("procedure-report", language, change)
    read = re.sub(r"\s", "", _text(_print("procedure-report", language, change)))

    said = [text for text in _texts(msgspec.to_builtins(paper)) if text]
    assert [text for text in said if re.sub(r"\s", "", text) not in read] == []
    assert len(said) > 150


def _texts(content):
    """Yield every text that is to be read; names of things and drawings are none."""
    if isinstance(content, str):
        yield content
    elif isinstance(content, list):
        for one in content:
            yield from _texts(one)
    elif isinstance(content, dict):
        for key, one in content.items():
            if key not in ("paper", "language", "kind", "sketch", "sha256", "qr", "matrix"):
                yield from _texts(one)


HOSTILE = (
    "#panic(1) *b* _i_ $x$ `c` <t> @r \\ / // [b] {c}",
    "\"quotes\" 'single' “curly” ¿¡ — …",
    "O'Brien-Łukasz Ångström Ωμέγα Жуков",
    "{day} {name} {phone}",
    "a" * 180,
)


@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_every_page_that_a_unit_in_training_prints_is_marked(kind):
    """[HAZ-52] Those of a live unit are not."""
    mark = choose_words_for(kind, "en").say("common.training")

    def pages(is_training):
        printed = io.BytesIO(_print(kind, change={"is_training": is_training}))
        return [" ".join(one.extract_text().split()) for one in pypdf.PdfReader(printed).pages]

    assert all(mark in page for page in pages(is_training=True))
    assert not any("Training" in page for page in pages(is_training=False))


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_what_people_wrote_is_printed_as_it_is(kind, text):
    change = {
        "patient.family_name": text,
        "unit_name": text,
        "stock_item/s14.name": text,
        "target/t1.label": text,
        "lay_out": [{"what": text, "stock_id": "s", "needed": 1, "lots": []}],
    }
    if kind == "implant-card" and len(text) > 100:
        change.pop("unit_name")
    read = re.sub(r"\s", "", _text(_print(kind, change=change)))

    assert re.sub(r"\s", "", text) in read


@pytest.mark.parametrize("text", ["אבי כהן", "قلب محمد", "Արմեն", "გია ბერიძე", "Nguyễn Łukasz"])
@pytest.mark.parametrize("kind", ["implant-card", "patient-leaflet"])
def test_names_of_other_scripts_are_printed(kind, text):
    """Caught: a patient refused a card for a Hebrew, Arabic, Armenian or Georgian name."""
    pdf = _print(kind, change={"patient.family_name": text})
    read = unicodedata.normalize("NFKC", _text(pdf))

    # Letters written from the right are drawn from the left: each is there, in whatever order.
    assert set(text) - {" "} <= set(read)


@pytest.mark.parametrize("text", ["ไทย", "患者", "😀", "\u0001"])
@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_a_sign_that_the_font_lacks_is_refused_in_a_sentence_and_never_left_blank(kind, text):
    with pytest.raises(PrintingError) as refused:
        _print(kind, change={"patient.family_name": text})

    assert str(refused.value).endswith(".")
    assert len(str(refused.value)) < 220
    assert "Print it from a tablet" in str(refused.value) or text == "\u0001"


def _draw_pages(pdf, dpi=300):
    """Return the pages of a PDF as grey pixels, as a printer draws them."""
    document = pdfium.PdfDocument(pdf)
    try:
        # PDF counts in 1/72 inch.
        drawn = [page.render(scale=dpi / 72, grayscale=True).to_pil() for page in document]
    finally:
        document.close()
    return [np.asarray(one.convert("L")) for one in drawn]


@pytest.mark.parametrize("is_training", [False, True])
def test_both_codes_of_a_card_are_read_back_from_the_printed_page(is_training):
    """From the PDF itself at 300 dpi, as an office printer prints; a training mark lies behind.

    Caught: codes read from another drawing of the same layout while the PDF held none.
    """
    paper, _ = _write("implant-card")
    pages = _draw_pages(_print("implant-card", change={"is_training": is_training}))
    (qr,) = zxingcpp.read_barcodes(pages[0])
    (gs1,) = zxingcpp.read_barcodes(pages[1])

    assert pages[0].shape == (638, 1012)
    assert (qr.format, qr.text) == (zxingcpp.BarcodeFormat.QRCode, paper.faces[0].qr)
    assert gs1.content_type == zxingcpp.ContentType.GS1
    assert gs1.text == "(01)02012345678903(17)280430(10)L-1"


GTIN = {"identifier": "02012345678903"}
FULL_LOT = {**GTIN, "lot": "ABCDEFGHIJ1234567890", "serial": "z" * 20}
LABEL = "01020123456789031125043017280400{}10L(1)\x1d240C14"
HIBC_LABEL = "+A123BJC5D6E71/$$3270228LOT1I"
HIBC = {"identifier": "A123BJC5D6E71", "lot": "LOT1", "expires_on": "2027-02-28"}


@pytest.mark.parametrize(
    ("device", "scanned"),
    [
        ({**GTIN, "lot": "L-1", "serial": "S/9"}, "010201234567890310L-1\x1d21S/9"),
        (GTIN, "0102012345678903"),
        (FULL_LOT, f"010201234567890310ABCDEFGHIJ1234567890\x1d21{'z' * 20}"),
        (
            {
                **GTIN,
                "lot": "L(1)",
                "expires_on": "2028-04-30",
                "raw_label": "]d2" + LABEL.format("\x1d"),
            },
            LABEL.format(""),
        ),
        ({**HIBC, "raw_label": HIBC_LABEL}, HIBC_LABEL),
        ({**HIBC, "raw_label": "+A123BJC5D6E71G\n+$$3270228LOT1GJ"}, HIBC_LABEL),
        (HIBC, "+A123BJC5D6E71G"),
        # Its check character is a blank.
        (
            {
                "identifier": "A123BJC5D6E71",
                "lot": "LTD9",
                "raw_label": "+A123BJC5D6E71/$LTD9 ",
            },
            "+A123BJC5D6E71/$LTD9 ",
        ),
    ],
)
def test_the_code_of_a_card_is_that_of_the_label(device, scanned):
    """[DL12] Read from the printed page: what is in it is the label, element by element.

    Caught: the day of making dropped from the code, and no code at all for HIBC.
    """
    change = {"coil_placed/o2.device": device, "records": ["coil_placed/o2"]}
    (read,) = zxingcpp.read_barcodes(_draw_pages(_print("implant-card", change=change))[1])

    assert read.bytes.decode() == scanned
    is_hibc = scanned.startswith("+")
    assert read.content_type == (zxingcpp.ContentType.Text if is_hibc else zxingcpp.ContentType.GS1)
    # Read as at the bedside, it says what the record says.
    told = read_device_label(read.bytes.decode(), today_on=ON)
    assert told["hibc_identifier" if is_hibc else "gtin"] == device["identifier"]
    assert told["lot"] in (None, device.get("lot"))


def test_nothing_of_a_long_card_runs_off_its_page():
    """Names and addresses of 60 signs: a card has three faces then as well."""
    long = "Long Name of a Street and a House in a Town far from here 1"
    change = {
        "unit_name": long,
        "unit_address": f"{long}\n{long}",
        "stock_item/s14.name": long,
        "stock_item/s14.maker": {
            "name": long,
            "address": f"{long}\n{long}",
            "website": "https://devices.example/instructions/for/use/of/coils",
        },
        "records": ["coil_placed/o2"],
    }
    pages = pypdf.PdfReader(io.BytesIO(_print("implant-card", change=change))).pages

    assert len(pages) == 3


def test_a_code_keeps_its_quiet_zone():
    """Four modules of white around a QR code (ISO/IEC 18004), at least one around a DataMatrix."""
    for svg, least in ((draw_qr("x"), 4), (draw_matrix("[01]02012345678903"), 1)):
        starts = [(int(x), int(y)) for x, y in re.findall(r"M(\d+) (\d+)h", svg)]
        assert min(x for x, _ in starts) >= least
        assert min(y for _, y in starts) >= least


def test_a_matrix_is_square():
    """The long rectangles of a later extension are not read by every scanner."""
    for code in (HIBC_LABEL, "[01]02012345678903"):
        width, height = re.search(r'viewBox="0 0 (\d+) (\d+)"', draw_matrix(code)).groups()
        assert width == height


def test_a_text_too_long_for_a_code_is_refused():
    with pytest.raises(CodeError, match="too long"):
        draw_qr("x" * 5_000)
    with pytest.raises(CodeError, match="cannot be written"):
        draw_matrix("[01]123")


def test_a_picture_is_printed_and_one_that_is_not_held_is_said():
    picture = {
        "record": "picture/x1",
        "shows": {"case": "case/c1", "file": {"sha256": PICTURE}, "at": "2026-03-10T09:00:00Z"},
        "held": {},
        "conflicts": [],
        "by": "",
    }
    shown = shown_case("closed_case", {})
    shown["records"].append(picture)
    words = choose_words_for("procedure-report", "en")
    case = msgspec.convert(shown, ShownCase)
    paper: Paper = write_paper("procedure-report", case, packaged_rule_book(ON), words)

    def read(name):
        return (_jpeg(), "image/jpeg", 40, 30) if name == PICTURE else None

    held = print_paper(paper, words, on=ON, read_picture=read)
    absent = print_paper(paper, words, on=ON, read_picture=_no_picture)

    assert "Picture 1, 09:00" in _text(held)
    assert "This picture is not held here yet." in _text(absent)
    assert "This picture is not held here yet." not in _text(held)
    with pikepdf.open(io.BytesIO(held)) as pdf:
        images = [one for one in pdf.objects if _is_image(one)]
        assert any((int(one.Width), int(one.Height)) == (40, 30) for one in images)


def _is_image(one):
    return isinstance(one, pikepdf.Stream) and str(one.get("/Subtype", "")) == "/Image"


def test_a_drawing_is_to_scale_on_both_axes():
    """[DR1] [DR3] Its scale bar is as long as it says, in the unit of everything else.

    Planted: the long axis drawn with the radius of the short one.
    """
    paper, words = _write("procedure-report")
    (drawing,) = [
        block for part in paper.parts for block in part.blocks if isinstance(block, Drawing)
    ]
    svg = draw_target(drawing.sketch, words)
    ellipses = re.findall(
        r'<ellipse cx="(\d+)" cy="(-?\d+)" rx="(\d+)" ry="(\d+)" fill="none"', svg
    )
    width, height = re.search(r'viewBox="\S+ \S+ (\d+) (\d+)"', svg).groups()
    last_text = re.findall(r"<text[^>]*>([^<]*)</text>", svg)[-1]
    x1, x2 = re.findall(r'<line x1="(-?\d+)" y1="\d+" x2="(-?\d+)"', svg)[-1]

    assert ("25000", "0", "7000", "10250") in ellipses
    assert sum(one[2:] == ("7000", "7000") for one in ellipses) == 2
    assert f'width="{width}" height="{height}"' in svg
    assert int(x2) - int(x1) == int(last_text.removeprefix("Scale ").removesuffix(" mm")) * 1_000
    for text in ("Short axis 14 mm", "Long axis 20.5 mm", "Near wall 17 mm", "Stop 26 mm"):
        assert text in svg
