"""The papers over HTTP and by command: for whom, in which language, of which case.

Planted bugs that this caught: a booking device given the report, a case that was entered in error
printed, the patient's language used for the report, a digest over a part of the case.
"""

import base64
import io

import pypdf
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.documents.paper import PAPER_KINDS
from api.use_cases.errors import CalculationError
from api.use_cases.make_documents import make_document
from api.use_cases.show_case import SIGNED_KINDS, digest_of, show_case
from api.use_cases.unit_settings import open_unit_book, read_unit_settings
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, StandingUnit

CASE = "case/c-1"
ON = "2026-03-16"


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path).serving() as serving:
        story = Story(serving.store, now_ms=NOON_MS)
        with serving.store.transaction():
            story.write("staff/w", name="Dr Wren Quillfeather", role="endoscopist", active=True)
            story.write(
                "patient/p-1", family_name="Greyfen", local_id="TH-0042", letter_language="es"
            )
            story.write(CASE, patient="patient/p-1", stage="closed", procedure_on="2026-03-10")
            story.write("target/t-1", case=CASE, label="Varix A", order=1)
            story.write(
                "coil_placed/o-1",
                case=CASE,
                target="target/t-1",
                coil={"loop_um": 14_000},
                device={"lot": "L-1"},
                at="2026-03-10T09:00:00+00:00",
            )
        yield serving


def _text(pdf):
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


@pytest.mark.parametrize("kind", PAPER_KINDS)
def test_a_bedside_device_is_given_each_paper(unit, kind):
    headers = unit.join("tablet", "bedside")
    answer = unit.client.get(f"/api/documents/{kind}/c-1?language=en", headers=headers)

    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-language"] == "en"
    assert answer.headers["cache-control"] == "no-store"
    assert "Greyfen" in _text(answer.content)


def test_what_the_tablet_asks_for_is_the_same_pdf(unit):
    headers = unit.join("tablet", "bedside")
    asked = {"document": "implant-card", "case": "c-1", "language": "de"}
    answer = unit.client.post("/api/papers", json=asked, headers=headers)
    whole = unit.client.get("/api/documents/implant-card/c-1?language=de", headers=headers)

    assert answer.status_code == 200, answer.text
    assert base64.b64decode(answer.json()["pdf"]) == whole.content
    assert (answer.json()["language"], answer.json()["is_draft"]) == ("de", True)
    assert whole.headers["crura-words"] == "draft"


def test_a_desk_of_booking_reads_no_paper_and_nobody_without_a_token(unit):
    """[FU-11]"""
    headers = unit.join("desk", "booking")
    body = {"document": "procedure-report", "case": "c-1"}

    for answer in (
        unit.client.get("/api/documents/procedure-report/c-1", headers=headers),
        unit.client.post("/api/papers", json=body, headers=headers),
    ):
        assert answer.status_code == 403
        assert "Greyfen" not in answer.text
    assert unit.client.get("/api/documents/procedure-report/c-1").status_code == 401


@pytest.mark.parametrize(
    ("kind", "case"),
    [("receipt", CASE), ("procedure-report", "case/none"), ("procedure-report", "patient/p-1")],
)
def test_what_there_is_not_is_refused_in_a_sentence(unit, kind, case):
    with pytest.raises(CalculationError) as refused:
        make_document(unit.store, kind, case, on=ON)

    assert str(refused.value).endswith(".")


def test_a_case_entered_in_error_has_no_paper(unit):
    state = unit.store.views.state_of(CASE)
    story = Story(unit.store, device="desk-b", now_ms=NOON_MS + 60_000)
    with unit.store.transaction():
        story.write(CASE, retract=state.heads)

    with pytest.raises(CalculationError, match="is no case on record"):
        make_document(unit.store, "procedure-report", CASE, on=ON)


def test_papers_for_the_patient_are_in_the_patients_language_and_the_rest_in_the_units(unit):
    languages = {
        kind: make_document(unit.store, kind, CASE, on=ON).language for kind in PAPER_KINDS
    }

    assert languages == {
        "procedure-report": "en",
        "referral-letter": "en",
        "patient-leaflet": "es",
        "implant-card": "es",
        "lay-out-list": "en",
    }


def test_a_signature_is_broken_by_what_came_after_it(unit):
    """[HAZ-09] The digest is that of the tablet: all that stands, but for the stage.

    The planted bug that this caught: the stage of the case named as changed.
    """
    settings, book = read_unit_settings(unit.store, on=ON), open_unit_book(unit.store, on=ON)

    def read():
        shown = show_case(unit.store, CASE, settings, book, on=ON)
        return shown.is_changed, shown.changed

    assert read() == (False, [])
    states = [state for kind in SIGNED_KINDS for state in unit.store.views.of_kind(kind)]
    digest = digest_of(unit.store.views.state_of(CASE), states)
    story = Story(unit.store, device="desk-b", now_ms=NOON_MS + 60_000)
    with unit.store.transaction():
        story.write("sign_off/s-1", case=CASE, digest=digest, at="2026-03-10T10:00:00+00:00")
    assert read() == (False, [])
    with unit.store.transaction():
        story.write("flush/f-1", case=CASE, amount={"medium": "saline", "flush_ul": 500})
        story.write(CASE, shunt="unknown", stage="closed")
    later = [(CASE, "shunt"), ("flush/f-1", "amount"), ("flush/f-1", "case")]
    assert read() == (True, later)
    text = _text(make_document(unit.store, "procedure-report", CASE, on=ON).pdf)
    assert "Changed after signing" in text
    assert f"Entered after the signature: shunt of {CASE}, amount of flush/f-1" in text


def test_two_answers_on_one_coil_are_a_doubt_and_neither_lot_is_printed(unit):
    """[HARD-06] Its kind keeps every value, so that no conflict is ever asked about.

    Planted: the last value read as the answer.
    """
    story = Story(unit.store, device="desk-b", now_ms=NOON_MS + 60_000)
    with unit.store.transaction():
        story.write("coil_placed/o-1", sees=False, device={"lot": "L-2"})
    settings, book = read_unit_settings(unit.store, on=ON), open_unit_book(unit.store, on=ON)
    (coil,) = show_case(unit.store, CASE, settings, book, on=ON).of_kind("coil_placed")
    report = _text(make_document(unit.store, "procedure-report", CASE, language="en", on=ON).pdf)
    card = _text(make_document(unit.store, "implant-card", CASE, language="en", on=ON).pdf)

    assert coil.conflicts == ["device"]
    assert "device" not in {*coil.shows, *coil.held}
    assert "Look at both entries and strike the wrong one." in report
    for text in (report, card):
        assert "two answers: not printed" in text
        assert "L-1" not in text
        assert "L-2" not in text


def test_outside_the_stated_use_the_lay_out_list_is_not_even_made(unit):
    """[HAZ-13] Whatever the plan said before."""
    story = Story(unit.store, device="desk-b", now_ms=NOON_MS + 60_000)
    with unit.store.transaction():
        answer = {"targets": [{"label": "Varix A", "coils": {"picks": ["stock_item/none"]}}]}
        story.write(CASE, plan={"request": {}, "answer": answer})
    inside = _text(make_document(unit.store, "lay-out-list", CASE, on=ON).pdf)
    with unit.store.transaction():
        story.write(CASE, varix_class="duodenal")
    outside = _text(make_document(unit.store, "lay-out-list", CASE, on=ON).pdf)

    assert "stock_item/none" in inside
    assert "stock_item/none" not in outside
    assert "Recorded only" in outside


def test_a_picture_whose_name_is_no_hash_is_not_looked_for(unit):
    story = Story(unit.store, device="desk-b", now_ms=NOON_MS + 60_000)
    with unit.store.transaction():
        story.write("picture/x-1", case=CASE, file={"sha256": "../../unit.db"})

    made = make_document(unit.store, "procedure-report", CASE, on=ON)
    assert "This picture is not held here yet." in _text(made.pdf)


def test_the_command_writes_a_file_and_says_that_a_draft_is_one(tmp_path):
    runner = CliRunner()
    data = ["--data", str(tmp_path / "unit")]
    stories = ["seed_scenarios/00_unit.json", "seed_scenarios/07_n_butyl_with_oil.json"]
    assert runner.invoke(main, ["load-scenario", *stories, *data]).exit_code == 0
    target = tmp_path / "leaflet.pdf"
    asked = ["print-document", "patient-leaflet", "oxbarrow-1", "--to", str(target)]
    done = runner.invoke(main, [*asked, "--language", "de", *data])

    assert done.exit_code == 0, done.output
    assert "Nobody has reviewed the sentences in de" in done.output
    assert "Nach Ihrer Behandlung" in _text(target.read_bytes())
    refused = runner.invoke(main, ["print-document", "implant-card", "none", *asked[3:], *data])
    assert refused.exit_code == 2
    listed = tmp_path / "list.pdf"
    asked = ["print-document", "lay-out-list", "case/oxbarrow-1", "--to", str(listed), *data]
    assert runner.invoke(main, asked).exit_code == 0
    assert "Coil 15 mm" in _text(listed.read_bytes())
