"""Bytes of pictures: after their record, piece by piece, by their hash, for bedside roles alone."""

import hashlib
import os
import random

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.backups import pictures_of, write_backup
from api.storage.errors import DiskTroubleError
from api.storage.picture_files import PictureFiles
from api.storage.unit_store import open_unit_store
from api.use_cases.forget_pictures import forget_struck_pictures
from api.use_cases.receive_picture import MAX_PICTURE_BYTES, MAX_PIECE_BYTES
from api.use_cases.restore_unit import restore_unit
from api.use_cases.verify_log import verify_log
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, Writer, assert_problem, texts

JPEG = b"\xff\xd8\xff\xe0" + random.Random(1).randbytes(3 * 1024 * 1024 + 17)
PNG = b"\x89PNG\r\n\x1a\n" + random.Random(2).randbytes(400)
RECORD = "picture/p-1"


def _digest(content):
    return hashlib.sha256(content).hexdigest()


def _file(content, **changed):
    return {
        "sha256": _digest(content),
        "bytes": len(content),
        "media_type": "image/png" if content == PNG else "image/jpeg",
        "width_px": 1280,
        "height_px": 960,
        **changed,
    }


def _write(unit, headers, content, *, writer=None, record=RECORD, **changed):
    """Push the record of a picture, as the tablet does before its bytes."""
    operation = (writer or Writer("tablet-a")).write(
        record, set={"case": "case/c-1", "file": _file(content, **changed)}
    )
    answer = unit.push(headers, "tablet-a", texts(operation))
    assert answer.json()["quarantined"] == []


def _put(unit, headers, content, offset, piece, record=RECORD):
    return unit.client.put(
        f"/api/pictures/{_digest(content)}",
        params={"record": record, "offset": offset},
        content=piece,
        headers={**headers, "content-type": "application/octet-stream"},
    )


def _standing(unit, headers, content, record=RECORD):
    return unit.client.get(
        f"/api/pictures/{_digest(content)}/standing", params={"record": record}, headers=headers
    )


def _get(unit, headers, content, offset=0, record=RECORD):
    return unit.client.get(
        f"/api/pictures/{_digest(content)}",
        params={"record": record, "offset": offset},
        headers=headers,
    )


def _send(unit, headers, content, record=RECORD, sent=None):
    """Send the pieces as a tablet does: ask how much is held, go on from there."""
    answer = _standing(unit, headers, content, record)
    for _ in range(9):
        if answer.json()["whole"]:
            return answer
        held = answer.json()["held"]
        answer = _put(unit, headers, content, held, content[held : held + MAX_PIECE_BYTES], record)
        assert answer.status_code == 200, answer.text
        if sent is not None:
            sent.append(held)
    raise AssertionError("The picture never became whole.")


def _fetch(unit, headers, content):
    found = b""
    while len(found) < len(content):
        piece = _get(unit, headers, content, len(found))
        assert piece.status_code == 200, piece.text
        assert len(piece.content) <= MAX_PIECE_BYTES
        found += piece.content
    return found


def _folder_bytes(unit):
    return sorted(path.name for path in (unit.folder / "pictures").glob("*/*"))


def test_a_picture_goes_in_by_pieces_and_comes_out_the_same(unit, a, b):
    """Planted bug that this caught: a piece written at the start of the file again."""
    _write(unit, a, JPEG)
    sent = []

    assert _send(unit, a, JPEG, sent=sent).json() == {"held": len(JPEG), "whole": True}

    assert sent == [0, MAX_PIECE_BYTES, 2 * MAX_PIECE_BYTES, 3 * MAX_PIECE_BYTES]
    assert _folder_bytes(unit) == [_digest(JPEG)]
    assert _fetch(unit, b, JPEG) == JPEG
    assert _get(unit, b, JPEG, len(JPEG)).content == b""


def test_bytes_before_their_record_are_refused_and_nothing_is_written(unit, a):
    """Planted bug that this caught: the record asked for after the first piece was written."""
    assert_problem(_put(unit, a, PNG, 0, PNG), 409, "Send the entries first")
    assert_problem(_standing(unit, a, PNG), 409, "Send the entries first")
    _write(unit, a, JPEG)
    assert_problem(_put(unit, a, PNG, 0, PNG), 409, "No entry here names this picture")
    assert_problem(_put(unit, a, JPEG, 0, JPEG[:9], "puncture/p-1"), 409)

    assert _folder_bytes(unit) == []


def test_a_picture_without_bytes_is_on_its_way(unit, a, b):
    _write(unit, a, JPEG)
    _put(unit, a, JPEG, 0, JPEG[:1000])

    assert_problem(_get(unit, b, JPEG), 404, "on its way", "comes by itself")


def test_a_cut_off_send_goes_on_where_it_ended(unit, a):
    """A piece that comes twice, or too early, is left out, and the answer says where to go on."""
    _write(unit, a, JPEG)
    assert _put(unit, a, JPEG, 0, JPEG[:1000]).json() == {"held": 1000, "whole": False}

    assert _put(unit, a, JPEG, 0, JPEG[:1000]).json() == {"held": 1000, "whole": False}
    assert _put(unit, a, JPEG, 5000, JPEG[5000:6000]).json() == {"held": 1000, "whole": False}
    sent = []
    _send(unit, a, JPEG, sent=sent)

    assert sent[0] == 1000
    assert _fetch(unit, a, JPEG) == JPEG


def test_two_senders_of_one_picture_do_not_mix_their_pieces(unit, a, b):
    """Planted bug that this caught: one part file for both senders."""
    _write(unit, a, JPEG)
    _put(unit, a, JPEG, 0, JPEG[:1000])
    assert _standing(unit, b, JPEG).json() == {"held": 0, "whole": False}
    _put(unit, b, JPEG, 0, JPEG[:500])
    _send(unit, b, JPEG)

    assert _standing(unit, a, JPEG).json() == {"held": len(JPEG), "whole": True}
    assert _folder_bytes(unit) == [_digest(JPEG)]


def test_bytes_that_are_not_those_named_are_thrown_away(unit, a):
    """Planted bug that this caught: the part kept, so that every later try failed too."""
    _write(unit, a, PNG)
    wrong = PNG[:-1] + bytes([PNG[-1] ^ 1])

    assert_problem(_put(unit, a, PNG, 0, wrong), 422, "thrown away", "from the start")
    assert _folder_bytes(unit) == []
    assert _standing(unit, a, PNG).json() == {"held": 0, "whole": False}
    assert _send(unit, a, PNG).json()["whole"] is True


def test_bytes_whose_check_was_cut_off_come_again(unit, a):
    """As after a power cut between the last piece and its check."""
    _write(unit, a, PNG)
    unit.store.pictures.append(_digest(PNG), "tablet-a", 0, PNG)

    assert _standing(unit, a, PNG).json() == {"held": 0, "whole": False}
    assert _send(unit, a, PNG).json()["whole"] is True


@pytest.mark.parametrize("start", [b"GIF89a", b"<svg xmlns=", b"\xff\xd8", b"%PDF-1.7", b""])
def test_what_is_no_jpeg_or_png_is_refused(unit, a, start):
    """By its content, whatever the record calls it."""
    content = start + b"\0" * 60
    _write(unit, a, content)

    assert_problem(_put(unit, a, content, 0, content), 422, "no image/jpeg")
    assert _folder_bytes(unit) == []


def test_a_png_under_the_name_of_a_jpeg_is_refused(unit, a):
    _write(unit, a, PNG, media_type="image/jpeg")

    assert_problem(_put(unit, a, PNG, 0, PNG), 422, "no image/jpeg")


@pytest.mark.parametrize(("size", "status"), [(-1, 200), (0, 200), (1, 413)])
def test_a_picture_may_have_eight_mebibytes(unit, a, size, status):
    """Below, at, above."""
    _write(unit, a, PNG, bytes=MAX_PICTURE_BYTES + size)

    answer = _put(unit, a, PNG, 0, PNG)

    assert answer.status_code == status
    if status == 413:
        assert_problem(answer, 413, "Take it again, smaller")


@pytest.mark.parametrize(("size", "status"), [(-1, 200), (0, 200), (1, 413)])
def test_a_piece_may_have_one_mebibyte(unit, a, size, status):
    """Below, at, above."""
    _write(unit, a, JPEG)

    assert _put(unit, a, JPEG, 0, JPEG[: MAX_PIECE_BYTES + size]).status_code == status


def test_more_bytes_than_the_record_says_and_empty_pieces_are_refused(unit, a):
    _write(unit, a, PNG)

    assert_problem(_put(unit, a, PNG, 0, PNG + b"!"), 422, "ends beyond them")
    assert_problem(_put(unit, a, PNG, 0, b""), 422, "at least one byte")
    assert _put(unit, a, PNG, -1, PNG).status_code == 422
    assert _folder_bytes(unit) == []


def test_a_desk_neither_sends_nor_receives_pictures(unit, a):
    """Planted bug that this caught: the role asked for in the upload alone."""
    desk = unit.join("desk-1", "booking")
    _write(unit, a, PNG)
    for answer in (
        _put(unit, desk, PNG, 0, PNG),
        _standing(unit, desk, PNG),
        _get(unit, desk, PNG),
    ):
        assert_problem(answer, 403, "neither sends nor reads pictures")
    assert_problem(_put(unit, {}, PNG, 0, PNG), 401)
    assert_problem(_get(unit, {}, PNG), 401)
    _send(unit, a, PNG)

    assert_problem(_get(unit, desk, PNG), 403)


@pytest.mark.parametrize("name", ["..%2f..%2fcrura.sqlite3", "A" * 64, "0" * 63, "x"])
def test_a_name_that_is_no_hash_finds_nothing(unit, a, name):
    """Planted bug that this caught: the path of the file made from the name as it came."""
    writer = Writer("tablet-a")
    named = {**_file(PNG), "sha256": name.replace("%2f", "/")}
    unit.push(a, "tablet-a", texts(writer.write(RECORD, set={"file": named})))

    answer = unit.client.get(f"/api/pictures/{name}", params={"record": RECORD}, headers=a)

    assert answer.status_code in (404, 409)
    assert "SQLite" not in answer.text


def test_a_disk_that_refuses_keeps_no_half_piece(unit, a, monkeypatch):
    """The tablet takes 507 and 503 for no answer and sends the piece again."""
    _write(unit, a, JPEG)
    _put(unit, a, JPEG, 0, JPEG[:1000])
    digest = _digest(JPEG)
    (part,) = (unit.folder / "pictures" / digest[:2]).glob("*.part")
    real_sync = os.fsync

    def refuse(opened):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    answer = _put(unit, a, JPEG, 1000, JPEG[1000:2000])
    assert answer.status_code == 200, "a piece needs no sync, the whole does"
    for held in range(2000, len(JPEG), MAX_PIECE_BYTES):
        answer = _put(unit, a, JPEG, held, JPEG[held : held + MAX_PIECE_BYTES])
    assert_problem(answer, 507, "this piece of the picture was not kept")
    assert _standing(unit, a, JPEG).json()["whole"] is False

    monkeypatch.setattr(os, "fsync", real_sync)
    assert part.name not in _folder_bytes(unit)
    assert _send(unit, a, JPEG).json()["whole"] is True


def test_verify_names_altered_pictures_and_those_that_are_not_here(unit, a):
    """Planted bug that this caught: pictures looked for by name and never read."""
    writer = Writer("tablet-a")
    _write(unit, a, PNG, writer=writer)
    _write(unit, a, JPEG, writer=writer, record="picture/p-2")
    _send(unit, a, PNG)

    on_its_way = verify_log(unit.store)
    place = unit.folder / "pictures" / _digest(PNG)[:2] / _digest(PNG)
    place.write_bytes(PNG[:-1] + bytes([PNG[-1] ^ 1]))
    altered = verify_log(unit.store)

    assert on_its_way.findings == ()
    assert "not here, or not yet: picture/p-2." in " ".join(on_its_way.remarks)
    assert [one for one in altered.findings if _digest(PNG) in one and "changed here" in one]
    place.unlink()
    assert "picture/p-1, picture/p-2" in " ".join(verify_log(unit.store).remarks)
    assert _send(unit, a, PNG).json()["whole"] is True


def test_a_backup_carries_the_pictures_and_a_restore_brings_them_back(tmp_path):
    """Planted bug that this caught: altered bytes copied under their old name."""
    unit = StandingUnit(tmp_path / "unit")
    with unit.serving():
        a = unit.join("tablet-a")
        writer = Writer("tablet-a")
        _write(unit, a, PNG, writer=writer)
        _write(unit, a, JPEG, writer=writer, record="picture/p-2")
        _send(unit, a, PNG)
        _send(unit, a, JPEG, record="picture/p-2")
        (unit.folder / "pictures" / _digest(JPEG)[:2] / _digest(JPEG)).write_bytes(b"other")

        left_out = write_backup(unit.store, tmp_path / "backup")

    assert left_out == (_digest(JPEG),)
    copied = PictureFiles(pictures_of(tmp_path / "backup"))
    assert copied.digests() == [_digest(PNG)]
    restore_unit(
        tmp_path / "backup", tmp_path / "other", new_generation="generation-2", now_ms=NOON_MS
    )
    store = open_unit_store(tmp_path / "other", new_generation="generation-3")
    assert store.pictures.read(_digest(PNG), 0, 9999) == PNG
    assert store.pictures.judge(_digest(JPEG)) == "missing"
    store.close()


def test_a_backup_that_fails_leaves_no_pictures_behind(unit, a, tmp_path, monkeypatch):
    _write(unit, a, PNG)
    _send(unit, a, PNG)

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("api.storage.backups.write_seal", refuse)
    with pytest.raises(Exception, match="cannot be written"):
        write_backup(unit.store, tmp_path / "backup")

    assert list(tmp_path.glob("backup*")) == []


def test_the_commands_tell_of_pictures(tmp_path):
    unit = StandingUnit(tmp_path / "unit")
    with unit.serving():
        a = unit.join("tablet-a")
        _write(unit, a, PNG)
        _send(unit, a, PNG)
    data = ["--data", str(tmp_path / "unit")]
    place = tmp_path / "unit" / "pictures" / _digest(PNG)[:2] / _digest(PNG)

    assert CliRunner().invoke(main, ["verify", *data]).exit_code == 0
    place.write_bytes(b"other")
    verified = CliRunner().invoke(main, ["verify", *data])
    backed = CliRunner().invoke(main, ["backup", "--plain", str(tmp_path / "backup"), *data])

    assert verified.exit_code == 2
    assert _digest(PNG) in verified.output
    assert backed.exit_code == 0
    assert f"{_digest(PNG)} was changed here and is left out" in backed.output


def _strike(unit, headers, writer, record=RECORD):
    standing = tuple(one.reference for one in writer.log if one.record == record)
    operation = writer.write(record, retract=standing)
    assert unit.push(headers, "tablet-a", texts(operation)).json()["quarantined"] == []


def test_the_bytes_of_a_picture_entered_in_error_go_once_the_unit_knows(unit, a, b):
    """Planted bug that this caught: half a picture that was still being sent stayed."""
    writer = Writer("tablet-a")
    _write(unit, a, JPEG, writer=writer)
    _send(unit, a, JPEG)
    _write(unit, a, PNG, writer=writer, record="picture/p-2")
    _put(unit, a, PNG, 0, PNG[:100], "picture/p-2")
    assert len(_folder_bytes(unit)) == 2

    _strike(unit, a, writer)
    _strike(unit, a, writer, "picture/p-2")

    assert _folder_bytes(unit) == []
    assert_problem(_get(unit, b, JPEG), 409, "No entry here names this picture")
    assert_problem(_put(unit, a, JPEG, 0, JPEG[:9]), 409)
    assert verify_log(unit.store).findings == ()


def test_a_picture_that_another_record_names_as_well_stays(unit, a, b):
    """Planted bug that this caught: the bytes of a picture attached twice went with the first."""
    writer = Writer("tablet-a")
    _write(unit, a, JPEG, writer=writer)
    _write(unit, a, JPEG, writer=writer, record="picture/p-2")
    _send(unit, a, JPEG)

    _strike(unit, a, writer)

    assert _folder_bytes(unit) == [_digest(JPEG)]
    assert _get(unit, b, JPEG, record="picture/p-2").status_code == 200
    _strike(unit, a, writer, "picture/p-2")
    assert _folder_bytes(unit) == []


def test_a_disk_that_refuses_keeps_no_strike_from_being_taken_in(unit, a, monkeypatch):
    """The bytes go at the next start of the server, as those that a backup brings back do."""
    writer = Writer("tablet-a")
    _write(unit, a, JPEG, writer=writer)
    _send(unit, a, JPEG)

    def refuse(_files, _digest):
        raise DiskTroubleError("The disk refuses.")

    with monkeypatch.context() as patched:
        patched.setattr(PictureFiles, "remove", refuse)
        _strike(unit, a, writer)
    assert _folder_bytes(unit) == [_digest(JPEG)]

    assert forget_struck_pictures(unit.store) == (_digest(JPEG),)
    assert forget_struck_pictures(unit.store) == ()
    assert _folder_bytes(unit) == []


def test_a_strike_taken_back_lets_the_tablet_send_the_picture_again(unit, a, b):
    writer = Writer("tablet-a")
    _write(unit, a, JPEG, writer=writer)
    _send(unit, a, JPEG)
    _strike(unit, a, writer)
    again = writer.write(RECORD, retract=(writer.log[-1].reference,))
    assert unit.push(a, "tablet-a", texts(again)).json()["quarantined"] == []

    assert _standing(unit, a, JPEG).json() == {"held": 0, "whole": False}
    _send(unit, a, JPEG)

    assert _fetch(unit, b, JPEG) == JPEG
