"""`crura bundle`: what people see, and one sentence with exit code 2 where it refuses."""

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.bundle import write_bundle
from tests.unit.api.standing_unit import Writer, forged
from tests.unit.api.test_bundle import STORY, _bundle


def _crura(folder, *arguments):
    result = CliRunner().invoke(main, [*map(str, arguments), "--data", str(folder)])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def unit(tmp_path):
    folder = tmp_path / "unit"
    assert _crura(folder, "load-scenario", STORY).exit_code == 0
    return folder


def test_a_unit_s_file_fills_another_folder(unit, tmp_path):
    """[BU1] [BU3]."""
    saved = _crura(unit, "bundle", "export", tmp_path / "b.crura")
    assert saved.exit_code == 0
    assert "operations are in" in saved.stdout
    count = int(saved.stdout.split()[0])
    other = tmp_path / "other"

    first = _crura(other, "bundle", "import", tmp_path / "b.crura", "--of-unit")
    again = _crura(other, "bundle", "import", tmp_path / "b.crura", "--of-unit")

    assert first.stdout == f"New: {count}. Known already: 0.\n"
    assert again.stdout == f"New: 0. Known already: {count}.\n"
    assert first.stderr == again.stderr == ""
    assert _crura(other, "verify").exit_code == 0


def test_what_waits_is_left_or_set_aside_is_said(unit, tmp_path):
    """[BU3] [BU4]."""
    a, b, server = Writer("tablet-a"), Writer("tablet-b"), Writer("unit-server", "ep99")
    a.write()
    write_bundle(
        tmp_path / "b.crura",
        _bundle(a.write(), forged(b.write()), server.write("staff/s-9", "unit")),
    )

    done = _crura(unit, "bundle", "import", tmp_path / "b.crura")

    assert done.exit_code == 0
    assert done.stdout == "New: 0. Known already: 0.\n"
    said = done.stderr.splitlines()
    assert len(said) == 3
    assert said[0].startswith("The body of tablet-b.ep01.1 is not the one it commits to.")
    assert said[1].startswith("Waiting here for earlier ones of their logs: 1.")
    assert "Add --of-unit" in said[2]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("export", "taken"), "exists already"),
        (("export", "new", "--stream", "letters"), "There is no stream 'letters'"),
        (("import", "none"), "There is no file"),
        (("import", "taken"), "no bundle"),
    ],
)
def test_refusals_are_one_sentence(unit, tmp_path, monkeypatch, arguments, part):
    """[BU1]."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "taken").write_text("")

    done = _crura(unit, "bundle", *arguments)

    assert done.exit_code == 2
    assert done.stdout == ""
    assert part in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "new").exists()
