"""What a role may not read leaves the server in no body; granted later, it is told then."""

import hashlib
import json

import msgspec
import pytest

from api.storage import snapshots
from api.storage.packaged_access import read_packaged_access_table
from sync.operation import read_operation
from sync.wire import Row, read_rows
from tests.unit.api.standing_unit import StandingUnit, Writer, assert_problem, texts

_READS = ("device:booking", "read", "booking")


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "unit").serving() as standing:
        yield standing


@pytest.fixture
def grant(monkeypatch):
    """Returns a function that changes what booking devices are granted to read of booking."""
    grants = read_packaged_access_table().grants
    packaged = grants[_READS]

    def change(**changed):
        monkeypatch.setitem(grants, _READS, msgspec.structs.replace(packaged, **changed))

    return change


def _pulled(unit, headers, **asked):
    """Return receipt number to operation, each verified against its hash and commitment."""
    page = unit.pull(headers, "booking", **asked).json()
    return {seq: read_operation(envelope, body) for seq, envelope, body in page["operations"]}


def _names(unit, bedside, writer):
    """Write a name, then the same with a field of a newer release, and a kind of one."""
    operations = (
        writer.write("patient/p-1", "booking", set={"family_name": "Greyfen"}),
        writer.write(
            "patient/p-1", "booking", set={"given_name": "Ada", "finding_new": "large varices"}
        ),
        writer.write("varix_photo/v-1", "booking", set={"text": "red wale marks"}),
        writer.write("patient/p-1", "booking", over={"finding_new": ()}),
        writer.write("visit/v-1", "booking", set={"patient": "patient/p-1", "label": "6 weeks"}),
    )
    answer = unit.push(bedside, "tablet-a", texts(*operations)).json()
    assert answer["quarantined"] == []
    return operations


@pytest.mark.parametrize("rows", [False, True], ids=["long", "rows"])
def test_what_is_newer_than_the_catalogue_is_withheld_from_a_booking_device(unit, rows):
    """[SEC-21] [SEC-23] [FU-11] The chain goes on over it, and a bedside tablet has all of it.

    Caught: a bedside tablet of a newer release wrote a finding into stream booking, as a field and
    as a kind, and a booking device pulled both; the pull judged the stream alone.
    """
    written = _names(unit, unit.join("tablet-a"), Writer("tablet-a"))
    desk, other = unit.join("desk-b", "booking"), unit.join("tablet-c")

    answer = unit.pull(desk, "booking", **({"rows": True} if rows else {}))

    assert "varices" not in answer.text
    assert "red wale" not in answer.text
    page = answer.json()
    if rows:
        told = [msgspec.convert(one, Row) for one in page["rows"]]
        handed = read_rows(told, page["digest"], "booking", "0", str(page["next"]), "end")
    else:
        handed = [read_operation(envelope, body) for _, envelope, body in page["operations"]]
    assert [one.hash for one in handed] == [one.hash for one in written]
    assert [one.previous for one in handed[1:]] == [one.hash for one in handed[:-1]]
    assert [one.body_text is None for one in handed] == [False, True, True, True, False]
    assert list(_pulled(unit, other).values()) == list(written)


def test_what_the_table_does_not_grant_stays_here_whatever_the_catalogue_knows(unit, grant):
    """[SEC-21] [FU-11] Also in a page of one record.

    Caught: with the grant cut to the label of a visit, the patient's name came over the wire.
    """
    grant(kinds={"visit": ("label",)})
    bedside, writer = unit.join("tablet-a"), Writer("tablet-a")
    unit.push(
        bedside,
        "tablet-a",
        texts(
            writer.write("patient/p-1", "booking", set={"family_name": "Greyfen"}),
            writer.write("visit/v-1", "booking", set={"label": "6 weeks"}),
            writer.write("visit/v-1", "booking", set={"patient": "patient/p-1"}),
        ),
    )
    desk = unit.join("desk-b", "booking")

    assert "Greyfen" not in unit.pull(desk, "booking").text
    assert "Greyfen" not in unit.pull(desk, "booking", record="patient/p-1").text
    bodies = [one.body_text is None for one in _pulled(unit, desk).values()]
    assert bodies == [True, False, True]


def test_a_body_in_a_newer_form_is_withheld_too(unit):
    """[OP7] [SEC-23] A part of it that nobody knows here may say anything.

    Caught: a word beside `set` went to the booking device.
    """
    bedside, writer = unit.join("tablet-a"), Writer("tablet-a")
    sent = writer.write("patient/p-1", "booking", set={"family_name": "Greyfen"})
    body = json.loads(sent.body_text or "") | {"finding": "large varices"}
    text = json.dumps(body, separators=(",", ":"), sort_keys=True)
    envelope = json.loads(sent.envelope_text)
    envelope["commitment"] = hashlib.sha256(text.encode()).hexdigest()
    pair = (json.dumps(envelope, separators=(",", ":")), text)
    assert unit.push(bedside, "tablet-a", [pair]).json()["quarantined"] == []

    assert "varices" not in unit.pull(unit.join("desk-b", "booking"), "booking").text
    assert "varices" in unit.pull(unit.join("tablet-c"), "booking").text


def test_once_the_table_grants_it_the_device_is_told_from_there_on(unit, grant):
    """[EX23] It has read past it, and nothing new has come since; a lost answer is given again.

    Caught: a device that had been handed an entry without its body was never told what it said.
    """
    bedside, writer = unit.join("tablet-a"), Writer("tablet-a")
    written = _names(unit, bedside, writer)
    desk = unit.join("desk-b", "booking")
    end = unit.pull(desk, "booking").json()["next"]
    cursors = {"booking": end}
    assert unit.handshake(desk, "desk-b", cursors=cursors).json()["heads"]["booking"] == end
    assert unit.pull(desk, "booking", after=end).json()["next"] == end

    grant(keeps_newer=True)

    # Without a head it asks, though it stands at the end of the stream.
    assert "booking" not in unit.handshake(desk, "desk-b", cursors=cursors).json()["heads"]
    for _ in "lost", "arrived":
        back = unit.pull(desk, "booking", after=end).json()
        assert back["operations"] == []
        assert (back["next"], back["more"]) == (1, False)
    told = _pulled(unit, desk, after=back["next"])
    assert list(told.values()) == list(written[1:])
    assert unit.pull(desk, "booking", after=end).json()["next"] == end
    assert unit.handshake(desk, "desk-b", cursors=cursors).json()["heads"]["booking"] == end


def test_what_stays_withheld_under_another_table_sends_nobody_back_twice(unit, grant):
    """[EX23] A release that grants other things has the device read again, once."""
    _names(unit, unit.join("tablet-a"), Writer("tablet-a"))
    desk = unit.join("desk-b", "booking")
    end = unit.pull(desk, "booking").json()["next"]

    grant(kinds={"visit": ("label",)})
    back = unit.pull(desk, "booking", after=end, rows=True).json()
    assert (back["rows"], back["next"]) == ([], 1)
    assert read_rows([], back["digest"], "booking", str(end), "1", "end") == []
    assert all(one.body_text is None for one in _pulled(unit, desk, after=1).values())

    assert unit.pull(desk, "booking", after=end).json()["next"] == end


def test_a_device_that_joins_as_a_bedside_tablet_is_told_what_it_was_not_as_a_desk(unit):
    """[EX13] [EX23]"""
    _names(unit, unit.join("tablet-a"), Writer("tablet-a"))
    desk = unit.join("desk-b", "booking")
    end = unit.pull(desk, "booking").json()["next"]

    unit.change_role("desk-b", "bedside")

    assert unit.pull(desk, "booking", after=end).json()["next"] == 1


def test_a_segment_with_more_than_the_list_is_handed_to_no_booking_device(unit, monkeypatch):
    """[SN2] [SEC-23] It ends before that one and pulls on from there; a bedside tablet has all.

    Caught: a new booking device began with the segments, and found every newer field in them.
    """
    monkeypatch.setattr(snapshots, "SEGMENT_OPERATIONS", 2)
    bedside, writer = unit.join("tablet-a"), Writer("tablet-a")
    plain = [writer.write(f"patient/p-{n}", "booking", set={"sex": "female"}) for n in (7, 8)]
    unit.push(bedside, "tablet-a", texts(*plain))
    _names(unit, bedside, writer)
    desk = unit.join("desk-b", "booking")

    def ask(headers, path=""):
        asked = {} if path else {"params": {"stream": "booking"}}
        return unit.client.get(f"/api/exchange/snapshot{path}", headers=headers, **asked)

    whole = ask(bedside).json()["segments"]
    listed = ask(desk).json()["segments"]

    assert len(whole) == 3
    assert listed == whole[:1]
    assert ask(desk, f"/{listed[0]['digest']}").status_code == 200
    assert_problem(ask(desk, f"/{whole[1]['digest']}"), 404, "pull")
    assert ask(bedside, f"/{whole[1]['digest']}").status_code == 200
    assert [one.body_text is None for one in _pulled(unit, desk, after=2).values()].count(True) == 3


def test_a_conflict_about_what_it_may_not_read_is_no_matter_of_a_booking_device(unit):
    """[CF1] [SEC-23] Neither of a field nor of a kind of a newer release.

    Caught: the values of a newer field stood among the conflicts of the booking device.
    """
    heads = {name: unit.join(name) for name in ("tablet-a", "tablet-c")}
    for name, said in zip(heads, ("small", "large"), strict=True):
        writer = Writer(name)
        answer = unit.push(
            heads[name],
            name,
            texts(
                writer.write("patient/p-1", "booking", set={"finding_new": f"{said} varices"}),
                writer.write("varix_photo/v-1", "booking", set={"text": f"{said} varices"}),
                writer.write("patient/p-1", "booking", set={"family_name": said}),
            ),
        )
        assert answer.json()["quarantined"] == []
    desk = unit.join("desk-b", "booking")

    def conflicts(headers):
        told = unit.client.get("/api/conflicts", headers=headers)
        return [one["field"] for one in told.json()["conflicts"]]

    assert conflicts(heads["tablet-a"]) == ["family_name", "finding_new", "text"]
    assert conflicts(desk) == ["family_name"]
    assert "varices" not in unit.client.get("/api/decisions", headers=desk).text
