"""The second unit of the demonstrated network and both units' past cases play and are current."""

import subprocess
import sys
from pathlib import Path

import pytest

from api.network_demonstration import move_days
from api.storage.unit_store import open_unit_store
from api.use_cases.import_cases import look_at_past_cases
from api.use_cases.load_scenario import load_scenario
from api.use_cases.verify_log import verify_log
from tests.scenarios import write_second_unit

FOLDER = Path(__file__).resolve().parents[2] / "seed_scenarios"
STORIES = sorted((FOLDER / "second_unit").glob("[0-9]*.json"))
PAST = sorted((FOLDER / "past_cases").glob("*.csv"))


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def test_its_stories_have_the_shape_and_end_as_they_say(store):
    assert [path.stem for path in STORIES] == ["00_unit", "01_treated_elsewhere"]
    for path in STORIES:
        checked = subprocess.run(
            [
                Path(sys.executable).with_name("check-jsonschema"),
                "--schemafile",
                FOLDER / "scenario.schema.json",
                path,
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert checked.returncode == 0, checked.stdout
        assert load_scenario(store, path.stem, path.read_bytes()).operations > 0
    assert verify_log(store).findings == ()


@pytest.mark.parametrize("path", PAST, ids=lambda path: path.stem)
@pytest.mark.parametrize("on", ["2026-03-16", "2028-02-29"])
def test_every_past_case_can_be_taken_on_any_day(path, on, store):
    report = look_at_past_cases(store, move_days(path.read_text(), to=on).encode(), on=on)

    assert report.rows == report.can_be_taken > 40
    assert (report.faults, report.one_person, report.without_next) == ([], [], [])


def test_every_day_moves_along_with_today():
    """Births too, as those of the stories do: one woman is in both."""
    text = "local_number,born_on,procedure_on,last_visit_on\nA,1950-03-16,2026-03-01,\n"

    moved = move_days(text, to="2026-03-20")

    assert moved.splitlines()[1] == "A,1950-03-20,2026-03-05,"


def test_the_files_are_those_that_are_written(tmp_path, monkeypatch):
    for name in ("second_unit", "past_cases"):
        (tmp_path / name).mkdir()
    for story in ("00_unit.json", "02_secondary_prophylaxis.json"):
        (tmp_path / story).write_bytes((FOLDER / story).read_bytes())
    monkeypatch.setattr(write_second_unit, "SEEDS", tmp_path)

    write_second_unit.write_all()

    for path in (*STORIES, *PAST):
        assert (tmp_path / path.parent.name / path.name).read_bytes() == path.read_bytes()
