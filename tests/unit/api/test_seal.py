"""The seal: whatever byte of a closed store is changed is found, and told of until it is mended.

Six groups of 200 changes; `SOAK=1` makes 1,250 in each, and with the two groups of
`test_tampering.py` 10,000 in all (SEC-17).
"""

import random
import shutil
import sqlite3

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.backups import write_backup
from api.storage.connection import FILE_NAME
from api.storage.errors import StorageError
from api.storage.seal import BROKEN_SUFFIX, SUFFIX, judge_seal
from api.storage.server_key import FILE_NAME as KEY_FILE
from api.storage.unit_store import open_unit_store
from api.use_cases.restore_unit import restore_unit
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.tampered_store import (
    TRIES,
    change_byte,
    cut_off,
    cut_off_with_signatures,
    delete_stretch,
    fill_store,
    findings_of,
    swap_stretches,
)


@pytest.fixture(scope="module")
def closed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("closed") / "unit"
    fill_store(folder)
    return folder


@pytest.fixture
def folder(closed, tmp_path):
    return shutil.copytree(closed, tmp_path / "unit")


def test_a_store_that_nobody_touched_keeps_its_seal(folder):
    """[SG9]."""
    assert judge_seal(folder / FILE_NAME, None) is None

    for _ in range(3):
        assert findings_of(folder) == ()
    assert (folder / f"{FILE_NAME}{SUFFIX}").exists()


def test_an_open_store_has_no_seal(folder):
    """[SG9]."""
    store = open_unit_store(folder, new_generation="generation-1")

    assert not (folder / f"{FILE_NAME}{SUFFIX}").exists()
    store.close()
    assert (folder / f"{FILE_NAME}{SUFFIX}").exists()


def test_any_byte_changed_at_rest_breaks_the_seal(folder):
    """[SG9] [SEC-17] The planted bug it has caught: the size alone compared."""
    drawn = random.Random(20_261)
    file = folder / FILE_NAME
    content = file.read_bytes()
    for _ in range(TRIES):
        file.write_bytes(change_byte(content, drawn))
        assert "was changed after it was sealed" in (judge_seal(file, None) or "")
    for cut in (content[:-1], content + b"\0", b""):
        file.write_bytes(cut)
        assert judge_seal(file, None)
    file.write_bytes(content)
    assert judge_seal(file, None) is None


@pytest.mark.parametrize("change", [change_byte, delete_stretch, swap_stretches, cut_off])
def test_verify_finds_every_random_change_of_a_closed_file(closed, tmp_path, change):
    """[SG9] [SEC-17] From opening to finding, as a person meets it.

    The planted bug it has caught: a file whose seal was never judged, of which the logic alone
    does not see every part. Without a plant it has caught a store that could not be closed, since
    its damaged rows would not be sorted.
    """
    drawn = random.Random(change.__name__)
    content = (closed / FILE_NAME).read_bytes()
    missed = []
    for number in range(TRIES):
        folder = shutil.copytree(closed, tmp_path / "unit")
        changed = change(content, drawn)
        assert changed != content
        (folder / FILE_NAME).write_bytes(changed)
        if not findings_of(folder):
            missed.append(number)
        shutil.rmtree(folder)
    assert missed == []


def test_a_broken_seal_is_told_of_until_a_backup_is_put_back(folder, tmp_path):
    """[SG9] The planted bug it has caught: a changed file sealed anew at the next closing."""
    store = open_unit_store(folder, new_generation="generation-1")
    write_backup(store, tmp_path / "backup")
    store.close()
    with sqlite3.connect(folder / FILE_NAME) as connection:
        connection.execute("UPDATE device_key SET after_seq = 9999")
    connection.close()

    for _ in range(3):
        assert "was changed while the unit was closed" in findings_of(folder)[0]

    restore_unit(tmp_path / "backup", folder, new_generation="generation-2", now_ms=NOON_MS)
    assert findings_of(folder) == ()


def test_a_log_cut_off_with_its_signatures_is_named_by_the_broken_seal(folder):
    """[SG9] Logic alone does not find it: see test_tampering.py."""
    with sqlite3.connect(folder / FILE_NAME) as connection:
        cut_off_with_signatures(connection)
    connection.close()

    findings = findings_of(folder)

    assert "was changed while the unit was closed" in findings[0]
    assert findings[1].startswith("tablet-a.ep01.12 was held when the unit was closed")
    assert len(findings) == 2


@pytest.mark.parametrize("gone", [SUFFIX, "", None])
def test_files_put_in_each_others_place_are_found(folder, gone, tmp_path):
    """[SG9] An older store with its own seal, a store taken away, a log slipped beside it."""
    file = folder / FILE_NAME
    if gone is None:
        (folder / f"{FILE_NAME}-wal").write_bytes(b"pages")
        assert "was added after" in (judge_seal(file, None) or "")
        return
    (folder / f"{FILE_NAME}{gone}").unlink()
    if gone == SUFFIX:
        # A stranger seals what he changed with a key of his own.
        fill_store(tmp_path / "strangers")
        shutil.copy(tmp_path / "strangers" / FILE_NAME, file)
        shutil.copy(tmp_path / "strangers" / f"{FILE_NAME}{SUFFIX}", f"{file}{SUFFIX}")
    assert "was changed while the unit was closed" in findings_of(folder)[0]


@pytest.mark.parametrize("content", [b"", b"{}", b"\xff\xfe", b"no json"])
def test_a_seal_that_cannot_be_read_is_a_broken_one(folder, content):
    """[SG9]."""
    (folder / f"{FILE_NAME}{SUFFIX}").write_bytes(content)

    assert "was changed while the unit was closed" in findings_of(folder)[0]


def test_every_part_of_a_seal_is_signed(folder):
    """[SG9]."""
    path = folder / f"{FILE_NAME}{SUFFIX}"
    content, drawn = path.read_bytes(), random.Random(7)
    letters = [place for place, byte in enumerate(content) if chr(byte).isalnum()]
    for _ in range(TRIES):
        path.write_bytes(change_byte(content, drawn, letters))
        assert judge_seal(folder / FILE_NAME, None)


def test_a_crash_leaves_no_seal_and_is_no_finding(folder):
    """[SG9]."""
    store = open_unit_store(folder, new_generation="generation-1")
    store._database.close()

    assert findings_of(folder) == ()


def test_a_changed_backup_is_not_put_back(folder, tmp_path):
    """[SG9]."""
    store = open_unit_store(folder, new_generation="generation-1")
    write_backup(store, tmp_path / "backup")
    store.close()
    assert (tmp_path / f"backup{SUFFIX}").exists()
    content = (tmp_path / "backup").read_bytes()
    # The mark of the application in the head of the file, about which SQLite has no opinion.
    (tmp_path / "backup").write_bytes(content[:68] + bytes([content[68] ^ 1]) + content[69:])

    with pytest.raises(StorageError, match="was changed after it was sealed"):
        restore_unit(tmp_path / "backup", folder, new_generation="g-2", now_ms=NOON_MS)
    assert findings_of(folder) == ()


def test_a_folder_that_lost_its_key_tells_that_the_seal_is_anothers(folder):
    """[SG9]."""
    (folder / KEY_FILE).unlink()

    assert "was changed while the unit was closed" in findings_of(folder)[0]
    assert (folder / f"{FILE_NAME}{BROKEN_SUFFIX}").exists()


def test_verify_names_what_is_wrong_and_ends_with_2(folder):
    """[SG8] [SG9] What is no fault by itself is remarked on and ends with 0."""
    asked = ["verify", "--data", str(folder)]
    sound = CliRunner().invoke(main, asked)
    assert sound.exit_code == 0
    assert sound.stdout == "38 operations in 4 logs are sound.\n"
    assert sound.stderr == "Entries set aside for the data manager: 1.\n"

    with sqlite3.connect(folder / FILE_NAME) as connection:
        connection.execute(
            "UPDATE record SET name = 'case/c-9' WHERE name = 'puncture/tablet-c-0-0'"
        )
    connection.close()
    changed = CliRunner().invoke(main, asked)

    assert changed.exit_code == 2
    assert "was changed while the unit was closed" in changed.stderr
    assert "tablet-c.ep01.1" in changed.stderr
    assert changed.stdout == ""
