"""Every story of `seed_scenarios` is played; it ends as it says, on any day."""

import json
import re
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from api.clinical_rules.gs1_label import check_digit
from api.demonstration import read_drawn_pictures
from api.storage.unit_store import open_unit_store
from api.use_cases.load_scenario import load_scenario
from api.use_cases.verify_log import verify_log
from tests.scenarios.draw_pictures import ACROSS, ALONG, draw_varix, write_png

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "seed_scenarios"
STORIES = sorted(FOLDER.glob("[0-9]*.json"))
MOVED_TO = ["2026-02-28", "2028-02-29", "2031-12-31"]


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def test_there_are_stories():
    assert [path.stem for path in STORIES][:1] == ["00_unit"]


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_a_story_has_the_shape_of_the_schema(path):
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


@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_a_story_ends_as_it_says(path, store):
    loaded = load_scenario(store, path.stem, path.read_bytes())

    assert loaded.operations > 0
    assert verify_log(store).findings == ()


@pytest.mark.parametrize("today_on", MOVED_TO)
@pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)
def test_a_story_moved_to_another_day_ends_as_it_says(path, today_on, store):
    loaded = load_scenario(store, path.stem, path.read_bytes(), today_on=today_on)

    assert loaded.operations > 0


def test_all_stories_live_together_and_a_second_loading_changes_nothing(store):
    contents = [(path.stem, path.read_bytes()) for path in STORIES]
    for name, content in contents:
        load_scenario(store, name, content, today_on="2026-11-25")
    before = store.operations.count(), store.views.conflicts(("care", "booking", "unit"))

    again = [
        load_scenario(store, name, content, today_on="2026-11-25") for name, content in contents
    ]

    assert [loaded.operations for loaded in again] == [0] * len(STORIES)
    assert (
        store.operations.count(),
        store.views.conflicts(("care", "booking", "unit")),
    ) == before


def test_pictures_of_stories_are_drawn_here_and_come_with_them(store):
    """Nobody's picture went into them: the drawing makes the same pixels again."""
    drawn = [write_png(draw_varix(**shape)) for shape in (ACROSS, ALONG)]
    held = read_drawn_pictures(FOLDER)
    assert sorted(map(_pixels, held.values())) == sorted(map(_pixels, drawn))

    for path in STORIES:
        load_scenario(store, path.stem, path.read_bytes(), pictures=held)

    assert store.pictures.digests() == sorted(held)
    assert verify_log(store).absent_pictures == ()
    assert verify_log(store).findings == ()


def _pixels(png):
    """Return the pixels of a grey PNG of one piece; how they are squeezed differs by library."""
    start = png.index(b"IDAT")
    size = int.from_bytes(png[start - 4 : start])
    return zlib.decompress(png[start + 4 : start + 4 + size])


def test_staff_named_in_stories_work_at_the_unit():
    unit = json.loads((FOLDER / "00_unit.json").read_text())
    known = {entry["record"] for entry in unit["timeline"] if "record" in entry}
    named = {
        reference
        for path in STORIES
        for reference in re.findall(r'"(staff/[a-z0-9-]+)"', path.read_text())
    }

    assert named <= known


def test_identifiers_of_the_shelf_are_numbers_for_use_inside_a_company():
    """GTIN-14 with the check digit of GS1; none can be a real device's (GS1: prefixes 040-049)."""
    story = json.loads((FOLDER / "00_unit.json").read_text())
    identifiers = [
        identifier
        for entry in story["timeline"]
        for identifier in entry.get("set", {}).get("identifiers", [])
    ]

    assert len(identifiers) == len(set(identifiers)) == 14
    for identifier in identifiers:
        assert re.fullmatch(r"004[0-9]{11}", identifier)
        assert check_digit(identifier[:-1]) == int(identifier[-1])
