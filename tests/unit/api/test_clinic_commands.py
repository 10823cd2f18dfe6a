"""The commands of the clinic: letters, reminders, exports and the failsafe list, into files."""

import json

import pypdf
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.command_parts import ENVIRONMENT
from api.storage.unit_store import open_unit_store
from tests.unit.api.clinic_story import Story, tell_small_clinic
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.test_letters import propose, settings_file


@pytest.fixture
def folder(tmp_path):
    today = ENVIRONMENT.today()
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    propose(store, settings_file())
    with store.transaction():
        story = Story(store, now_ms=NOON_MS)
        tell_small_clinic(story, today)
        for person in ("s-1", "s-2"):
            story.write(f"staff/{person}", name=person, role="assistant", active=True)
    store.close()
    return tmp_path


def _run(folder, *arguments):
    found = CliRunner().invoke(main, [*map(str, arguments), "--data", str(folder / "unit")])
    return found.exit_code, found.output


def test_letters_are_written_and_a_draft_and_what_is_withheld_are_told(folder):
    """[FU-08] [HAZ-45]"""
    code, told = _run(
        folder, "letters", "appointment", "visit/v-1", "visit/x", "--to", folder / "out.pdf"
    )

    assert code == 0, told
    assert "visit/x: withheld." in told
    assert "Nobody has reviewed the sentences in de" in told
    assert "Letters: 1. Withheld: 1." in told
    assert "Greyfen" in pypdf.PdfReader(folder / "out.pdf").pages[0].extract_text()


def test_reminders_are_written_as_csv(folder):
    """[FU-10]"""
    code, told = _run(folder, "reminders", "--to", folder / "out.csv")

    assert (code, "Reminders: 1. Withheld: 0." in told) == (0, True)
    content = (folder / "out.csv").read_bytes()
    assert content.count(b"\r\n") == 2
    assert b"Greyfen" not in content


def test_visits_are_exported(folder):
    code, told = _run(folder, "export-visits", "--to", folder / "out.json")

    assert code == 0, told
    kinds = [
        one["resource"]["resourceType"]
        for one in json.loads((folder / "out.json").read_bytes())["entry"]
    ]
    assert kinds == ["Patient", "ServiceRequest", "Appointment"]


def test_the_failsafe_list_is_told_written_and_signed(folder):
    """[FU-12] [FL5]"""
    code, told = _run(
        folder, "failsafe-list", "--csv", folder / "out.csv", "--pdf", folder / "out.pdf"
    )
    assert (code, "TH-2" in told, "Last signed: never" in told) == (0, True, True)
    assert b"Larkmere" in (folder / "out.csv").read_bytes()
    assert "Larkmere" in pypdf.PdfReader(folder / "out.pdf").pages[0].extract_text()

    code, told = _run(
        folder, "failsafe-sign", "--prepared-by", "staff/s-1", "--signed-by", "staff/s-1"
    )
    assert (code, "Two people" in told) == (2, True)
    code, told = _run(
        folder, "failsafe-sign", "--prepared-by", "staff/s-1", "--signed-by", "staff/s-2"
    )
    assert (code, "Signed: 1 patients" in told) == (0, True)
    assert f"as of {ENVIRONMENT.today()}" in _run(folder, "failsafe-list")[1]


def test_a_file_that_cannot_be_written_is_told_in_a_sentence(folder):
    code, told = _run(folder, "reminders", "--to", folder / "nowhere" / "out.csv")
    assert (code, "cannot be written" in told) == (2, True)
