"""A backup or a restore cut off at any step leaves the old store or the new one, whole."""

import os
import random
import shutil
import signal
import sys
from pathlib import Path

import pytest

from api.storage.backups import write_backup
from api.storage.unit_store import open_unit_store
from api.use_cases.restore_unit import restore_unit
from tests.reliability.ward import NOON_MS, Ward, find_losses, push

STEPS = frozenset({"os.rename", "os.remove", "os.link", "sqlite3.connect"})


def _kill_at_step(number):
    left = [number]

    def hear(event, _):
        if event in STEPS:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(hear)


def _die_at_step(number, act):
    """Run an act in a child that is killed before its n-th step; say whether it got so far."""
    child = os.fork()
    if child == 0:
        try:
            _kill_at_step(number)
            act()
        finally:
            os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def _take_in(store, ward, pushes):
    told = []
    for _ in range(pushes):
        drawn = ward.draw_push(store)
        push(store, drawn)
        told += drawn.texts
    return told


@pytest.mark.parametrize("step", range(1, 18))
def test_a_restore_killed_at_any_step_leaves_the_old_store_or_the_backup(step, tmp_path):
    """[EX3]. Found this way: killed between two renames, the folder held no store, and the next
    start made an empty one.

    Caught, planted in turn: the store was moved aside before the backup took its place; the new
    generation was written once the backup lay in place.
    """
    folder, ward = tmp_path / "unit", Ward(random.Random(step))
    store = open_unit_store(folder, new_generation="generation-1")
    in_backup = _take_in(store, ward, 5)
    write_backup(store, tmp_path / "backup")
    since = _take_in(store, ward, 5)
    # A killed server leaves its log file behind, which closing would fold in.
    killed = tmp_path / "killed"
    shutil.copytree(folder, killed)
    store.close()
    assert (killed / "crura.sqlite3-wal").stat().st_size > 0

    was_killed = _die_at_step(
        step,
        lambda: restore_unit(
            tmp_path / "backup", killed, new_generation="generation-2", now_ms=NOON_MS
        ),
    )

    assert was_killed or step > 8
    if not was_killed:
        assert (killed / f"crura.sqlite3.before-{NOON_MS}").exists()
    found = open_unit_store(killed, new_generation="generation-3")
    is_old = found.fact("generation") == "generation-1"
    assert found.fact("generation") in ("generation-1", "generation-2")
    assert find_losses(found, in_backup + (since if is_old else [])) == []
    assert is_old or find_losses(found, since) != []
    found.close()


def test_new_names_are_brought_onto_the_disk_after_each_rename(tmp_path, monkeypatch):
    """A power cut undoes a rename whose folder was not synced.

    Caught: `_sync_folder` planted out of `write_backup`, and out of `put_back`.
    """
    heard = []
    real_sync = os.fsync

    def note_sync(opened):
        real_sync(opened)
        heard.append(("sync", str(Path(f"/proc/self/fd/{opened}").readlink())))

    def note_rename(event, arguments):
        if event == "os.rename":
            heard.append(("rename", os.fspath(arguments[1])))

    sys.addaudithook(note_rename)
    monkeypatch.setattr(os, "fsync", note_sync)
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    write_backup(store, tmp_path / "backup")
    assert heard[-1] == ("sync", str(tmp_path))
    store.close()
    heard.clear()

    restore_unit(
        tmp_path / "backup", tmp_path / "unit", new_generation="generation-2", now_ms=NOON_MS
    )

    last = heard.index(("rename", str(tmp_path / "unit" / "crura.sqlite3")))
    assert ("sync", str(tmp_path / "unit")) in heard[:last]
    assert ("sync", str(tmp_path / "unit")) in heard[last:]
