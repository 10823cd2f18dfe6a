"""The unit server's own key on a disk that refuses: one sentence, and nothing half written."""

import errno
import os
import resource
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage import server_key
from api.storage.errors import DiskFullError, StorageError
from api.storage.server_key import FILE_NAME, load_server_key


def _refuse(code):
    def refuse(*_, **__):
        raise OSError(code, os.strerror(code))

    return refuse


@contextmanager
def _no_room():
    """Let this process write not one byte more into any file: the kernel itself refuses.

    No fixture: the test's own dot may be written into a file.
    """
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_full_disk_is_told_in_one_sentence_and_no_half_key_stays(tmp_path):
    """[SG7] The planted bug it has caught: the half file left where the write had broken off."""
    told = pytest.raises(DiskFullError, match=r"no room for the server's key .* Make room there")
    with told, _no_room():
        load_server_key(tmp_path)

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EIO])
@pytest.mark.parametrize(
    ("place", "call"), [(server_key.os, "open"), (server_key.os, "fsync"), (Path, "rename")]
)
def test_at_whatever_call_the_disk_refuses_nothing_is_left_and_the_next_try_makes_the_key(
    tmp_path, monkeypatch, place, call, code
):
    """[SG7] The planted bug it has caught: a disk that is full told as one that lacks rights."""
    with monkeypatch.context() as refusing:
        refusing.setattr(place, call, _refuse(code))
        words = "Check its rights" if code == errno.EIO else "Make room there"
        with pytest.raises(StorageError, match=words):
            load_server_key(tmp_path)
    assert list(tmp_path.iterdir()) == []

    key = load_server_key(tmp_path)

    assert load_server_key(tmp_path).key_id == key.key_id
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == server_key.OWNER_ALONE


def test_verify_on_a_full_disk_ends_with_the_sentence_and_leaves_no_store(tmp_path, monkeypatch):
    """[SG7] [SG8]."""
    monkeypatch.setattr(os, "fsync", _refuse(errno.ENOSPC))

    answer = CliRunner().invoke(main, ["verify", "--data", str(tmp_path)])

    assert answer.exit_code == 2
    assert answer.stderr.count("\n") == 1
    assert "Make room there" in answer.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["crura.lock"]
