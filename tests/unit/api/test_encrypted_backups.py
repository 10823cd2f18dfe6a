"""Backups for their recipients alone: what they hold, who opens them, and what is left behind."""

import io
import os
import signal
import sqlite3
import subprocess
import sys
import tarfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pyrage
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.routes.backups import BackupWatch
from api.storage.encrypted_backups import (
    RECIPIENTS_NAME,
    is_encrypted,
    opened_backup,
    read_recipients,
    write_encrypted_backup,
)
from api.storage.erasure_list import ListedErasure, add_to_erasure_list, read_erasure_list
from api.storage.errors import StorageError
from api.storage.server_key import FILE_NAME as KEY_NAME
from api.storage.unit_store import open_unit_store
from api.use_cases.restore_unit import restore_unit
from api.use_cases.verify_log import verify_log
from tests.unit.api.standing_unit import LOCAL_KEY, Writer, assert_problem, texts

NAME = "Marigold Ashdown-Fell"


@pytest.fixture
def keys():
    return [pyrage.x25519.Identity.generate() for _ in range(3)]


@pytest.fixture
def recipients(keys):
    return tuple(str(key.to_public()) for key in keys[:2])


@pytest.fixture
def identity(tmp_path, keys):
    def write(number=0):
        path = tmp_path / f"identity-{number}"
        path.write_text(f"# a key\n{keys[number]}\n")
        return path

    return write


@pytest.fixture
def pushed(unit):
    writer = Writer("tablet-a")
    named = writer.write("patient/p-1", "booking", set={"family_name": NAME})
    unit.push(unit.join("tablet-a"), "tablet-a", texts(named))
    return unit


@pytest.mark.parametrize("number", [0, 1])
def test_each_recipient_alone_can_put_a_backup_back_whole(
    pushed, recipients, identity, tmp_path, number
):
    """[SEC-25] [REL-07]"""
    target, folder = tmp_path / "b", tmp_path / "elsewhere"
    write_encrypted_backup(pushed.store, pushed.store.folder, target, recipients)

    with opened_backup(target, folder, identity(number)) as opened:
        restore_unit(opened, folder, new_generation="generation-2", now_ms=1)
    store = open_unit_store(folder, new_generation="generation-3")

    assert store.server_key.key_id == pushed.store.server_key.key_id
    assert not verify_log(store).findings
    [patient] = store.views.of_kind("patient")
    store.close()
    assert NAME in str(patient.fields["family_name"])


def test_neither_the_backup_nor_what_is_left_behind_holds_a_name_in_clear(
    pushed, recipients, tmp_path
):
    """[SEC-25] The same name is found where the copy is in clear, so the search itself works."""
    target, plain = tmp_path / "b", tmp_path / "plain"
    pushed.store.copy_to(plain)
    write_encrypted_backup(pushed.store, pushed.store.folder, target, recipients)

    assert NAME in _names_in(plain)
    assert NAME.encode() in plain.read_bytes()
    assert NAME.encode() not in target.read_bytes()
    assert target.stat().st_mode & 0o077 == 0
    assert not list(pushed.store.folder.glob("*workshop*"))
    assert not list(tmp_path.glob("*.part"))


def _names_in(file):
    with closing(sqlite3.connect(file)) as connection:
        return str(connection.execute("SELECT * FROM patient_list").fetchall())


def test_a_stranger_and_a_truncated_or_altered_file_get_one_sentence_and_nothing_is_written(
    pushed, recipients, identity, tmp_path
):
    target, folder = tmp_path / "b", tmp_path / "elsewhere"
    write_encrypted_backup(pushed.store, pushed.store.folder, target, recipients)
    whole = target.read_bytes()

    def refusal(content, number):
        target.write_bytes(content)
        with (
            pytest.raises(StorageError) as refused,
            opened_backup(target, folder, identity(number)),
        ):
            raise AssertionError("was opened")
        return str(refused.value)

    assert "cannot be opened" in refusal(whole, 2)
    for cut in (30, len(whole) // 2, len(whole) - 1):
        assert "Use the key" in refusal(whole[:cut], 0)
    altered = bytearray(whole)
    altered[len(whole) // 2] ^= 1
    assert "is not whole" in refusal(bytes(altered), 0)
    assert not folder.exists() or not list(folder.iterdir())


def test_a_forged_backup_writes_nothing_outside_its_workshop(recipients, identity, tmp_path):
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w:gz") as forged:
        member = tarfile.TarInfo("backup/../../crura.sqlite3")
        member.size = 4
        forged.addfile(member, io.BytesIO(b"evil"))
    target, folder = tmp_path / "b", tmp_path / "unit"
    readers = [pyrage.x25519.Recipient.from_str(one) for one in recipients]
    target.write_bytes(pyrage.encrypt(packed.getvalue(), readers))

    with (
        pytest.raises(StorageError, match="is not whole"),
        opened_backup(target, folder, identity()),
    ):
        raise AssertionError("was opened")

    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("named", "part"),
    [
        ((), "at least 2"),
        (("one",), "at least 2"),
        (("same", "same"), "at least 2"),
        (("one", "not-a-recipient"), "no age recipient"),
    ],
)
def test_one_key_alone_or_a_word_that_is_no_recipient_is_refused(named, part, recipients, tmp_path):
    stand_ins = {"one": recipients[0], "same": recipients[0]}

    with pytest.raises(StorageError, match=part):
        read_recipients([stand_ins.get(word, word) for word in named], tmp_path)


def test_recipients_are_read_from_the_data_folder(recipients, tmp_path):
    lines = "\n".join(("# kept in the safe", "", *recipients))
    (tmp_path / RECIPIENTS_NAME).write_text(lines)

    assert read_recipients((), tmp_path) == recipients


def test_a_server_key_that_is_there_stays(pushed, recipients, identity, tmp_path):
    target, folder = tmp_path / "b", tmp_path / "elsewhere"
    write_encrypted_backup(pushed.store, pushed.store.folder, target, recipients)
    folder.mkdir()
    (folder / KEY_NAME).write_text("another")

    with opened_backup(target, folder, identity()):
        pass

    assert (folder / KEY_NAME).read_text() == "another"


def _run(*arguments):
    answer = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return answer.exit_code, answer.output


def test_commands_make_keys_back_up_drill_and_restore(tmp_path):
    """[REL-07] the drill, by the commands of the runbook."""
    folder, target = tmp_path / "unit", tmp_path / "b"
    lines = []
    for name in ("safe", "vault"):
        code, line = _run("backup-key", tmp_path / name)
        assert code == 0
        assert (tmp_path / name).stat().st_mode & 0o077 == 0
        lines += ["--recipient", line.strip()]
    assert _run("backup-key", tmp_path / "safe")[0] == 2
    _run("staff", "add", "--name", "Ada Crewe", "--role", "assistant", "--data", folder)

    code, sentence = _run("backup", target, "--data", folder)
    assert (code, "at least 2" in sentence, target.exists()) == (2, True, False)
    assert _run("backup", target, *lines, "--data", folder)[0] == 0
    assert is_encrypted(target)

    code, sentence = _run("backup-drill", target, "--in", tmp_path)
    assert (code, "--identity" in sentence) == (2, True)
    place = ("--in", tmp_path)
    code, sentence = _run("backup-drill", target, "--identity", tmp_path / "vault", *place)
    assert (code, "is sound: 1 operations" in sentence) == (0, True)
    assert not list(tmp_path.glob("crura-drill-*"))
    code, _ = _run("restore", target, "--identity", tmp_path / "safe", "--data", tmp_path / "other")
    assert code == 0
    assert "1 operations in 1 logs are sound" in _run("verify", "--data", tmp_path / "other")[1]


def test_the_running_server_writes_a_backup_for_the_command_alone(unit, recipients, tmp_path):
    wish = {"target": str(tmp_path / "b"), "recipients": list(recipients)}
    device = unit.join("tablet-a")

    refused = unit.client.post("/api/backups", json=wish, headers=device)
    assert_problem(refused, 403)
    assert not (tmp_path / "b").exists()

    key = {"authorization": f"Bearer {LOCAL_KEY}"}
    assert unit.client.post("/api/backups", json=wish, headers=key).status_code == 201
    assert is_encrypted(tmp_path / "b")


def test_a_path_that_would_lie_where_the_server_was_started_is_refused(unit, tmp_path, monkeypatch):
    """Caught: a hostile request of the machine left backups in the folder of the program."""
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    key = {"authorization": f"Bearer {LOCAL_KEY}"}

    for target in ("b", "./b", "../b"):
        refused = unit.client.post("/api/backups", json={"target": target}, headers=key)
        assert_problem(refused, 400, "whole path")
    assert sorted(tmp_path.iterdir()) == before


def test_the_server_keeps_the_newest_backups_and_none_goes_for_one_that_failed(
    unit, recipients, tmp_path
):
    now = {"ms": 1_790_000_000_000}
    watch = BackupWatch(
        unit.store,
        tmp_path / "backups",
        recipients,
        every_seconds=3_600,
        keep=2,
        now_ms=lambda: now["ms"],
    )
    written = []
    for _ in range(3):
        written.append(watch.back_up_now())
        now["ms"] += 3_600_000
    assert sorted((tmp_path / "backups").iterdir()) == written[1:]

    now["ms"] -= 3_600_000
    assert watch.back_up_now() is None
    assert sorted((tmp_path / "backups").iterdir()) == written[1:]


def test_two_backups_at_once_are_both_whole(pushed, recipients, identity, tmp_path):
    """Caught: the second took the first one's workshop away, which was then told as written."""
    targets = [tmp_path / f"b{number}" for number in range(4)]
    with ThreadPoolExecutor(len(targets)) as pool:
        list(
            pool.map(
                lambda target: write_encrypted_backup(
                    pushed.store, pushed.store.folder, target, recipients
                ),
                targets,
            )
        )

    for target in targets:
        with opened_backup(target, tmp_path / "elsewhere", identity()) as opened:
            assert opened.stat().st_size > 0


def test_what_was_erased_goes_with_the_backup_to_a_folder_that_never_heard_of_it(
    pushed, recipients, identity, tmp_path
):
    """[ER5]"""
    erasure = ListedErasure(
        erasure="erasure/e-1",
        of=("patient/p-9",),
        pictures=(),
        because="asked for",
        decided_by="staff/s-1",
        agreed_by="staff/s-2",
        at="2026-03-16T12:00:00+00:00",
    )
    add_to_erasure_list(pushed.store.folder, (erasure,))
    target, folder = tmp_path / "b", tmp_path / "elsewhere"
    write_encrypted_backup(pushed.store, pushed.store.folder, target, recipients)

    with opened_backup(target, folder, identity()):
        assert read_erasure_list(folder) == (erasure,)


KILLED = """
import os, signal, sys
from pathlib import Path
from api.storage.encrypted_backups import write_encrypted_backup
from api.storage.unit_store import open_unit_store
left = int(sys.argv[1])
def hear(event, _):
    global left
    if event in {"os.rename", "os.mkdir", "shutil.rmtree", "sqlite3.connect", "os.remove"}:
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
folder = Path(sys.argv[2])
store = open_unit_store(folder, new_generation="g")
sys.addaudithook(hear)
write_encrypted_backup(store, folder, Path(sys.argv[3]), sys.argv[4:])
print("written")
"""


@pytest.mark.parametrize("step", [1, 2, 3, 4, 5])
def test_a_backup_killed_at_any_step_leaves_none_or_a_whole_one_and_the_next_cleans_up(
    step, recipients, identity, tmp_path
):
    """[SEC-25] [REL-07] Caught, planted: the file bore its name before it was whole."""
    folder, target = tmp_path / "unit", tmp_path / "b"
    _run("staff", "add", "--name", "Ada Crewe", "--role", "assistant", "--data", folder)

    child = subprocess.run(
        [sys.executable, "-c", KILLED, str(step), folder, target, *recipients],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )

    assert child.returncode == -signal.SIGKILL, child.stderr
    if target.exists():
        with opened_backup(target, tmp_path / "elsewhere", identity()) as opened:
            assert opened.is_file()
        target.unlink()
    store = open_unit_store(folder, new_generation="g")
    write_encrypted_backup(store, folder, target, recipients)
    store.close()
    assert is_encrypted(target)
    assert not list(folder.glob("*workshop*"))
    assert not list(tmp_path.glob("*.part"))
