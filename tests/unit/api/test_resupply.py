"""A server put back to an older copy: it notices, and takes from the devices what it lacks."""

import json
import shutil

import pytest
from click.testing import CliRunner

from api.backup_commands import restore
from api.storage.backups import write_backup
from api.storage.connection import FILE_NAME
from api.storage.unit_store import open_unit_store
from api.use_cases.older_copy import mark_put_back
from api.use_cases.receive_push import receive_push
from api.use_cases.receive_resupply import PUT_BACK, receive_resupply
from api.use_cases.restore_unit import restore_unit
from api.use_cases.revoke_device import revoke_device
from api.use_cases.verify_log import verify_log
from sync.signing import BroughtHead
from tests.unit.api.standing_unit import (
    NOON_MS,
    StandingUnit,
    Writer,
    assert_problem,
    carried_head,
    forged,
    texts,
)


@pytest.fixture
def put_back(unit):
    with unit.store.transaction():
        unit.store.keep_fact(PUT_BACK, str(NOON_MS))


def _offer(unit, headers, device, *operations, logs=(), heads=()):
    content = {"device": device, "operations": list(operations), "logs": list(logs)}
    content["heads"] = list(heads)
    return unit.client.post("/api/exchange/resupply", json=content, headers=headers)


def _pulled(unit, headers, stream="care"):
    return [json.loads(one[1])["op_id"] for one in unit.pull(headers, stream).json()["operations"]]


def _waiting(unit):
    with unit.store.transaction():
        return unit.store.waiting.gaps()


def _alarms(unit, headers):
    found = unit.client.get("/api/decisions", headers=headers).json()["alarms"]
    return [one for one in found if one["kind"] == "older-copy"]


def test_a_cursor_above_the_head_is_an_alarm_and_opens_nothing(unit, a, b):
    """[EX21] [EX10]; a cursor below and at the head is none. Once a day at most.

    It was red before: the word of a device made the unit a put back one. The planted bug it has
    caught: each such handshake was one more alarm.
    """
    unit.push(a, "tablet-a", texts(written := Writer("tablet-a").write()))

    unit.handshake(b, "tablet-b", cursors={"care": 0})
    unit.handshake(b, "tablet-b", cursors={"care": 1})
    assert _alarms(unit, b) == []
    said = unit.handshake(b, "tablet-b", cursors={"care": 2}).json()
    (alarm,) = _alarms(unit, a)
    unit.handshake(a, "tablet-a", cursors={"care": 9})

    assert said["server"] == "generation-1"
    assert alarm["op_id"] == "tablet-b"
    assert "tablet-b has read entries that this unit's store does not hold" in alarm["sentence"]
    assert _alarms(unit, b) == [alarm]
    assert verify_log(unit.store).remarks[-1] == alarm["sentence"]
    assert_problem(_offer(unit, b, "tablet-b", *texts(written)), 403, "crura restore --copied-back")

    unit.environment.moved["ms"] += 86_400_001
    unit.handshake(a, "tablet-a", cursors={"care": 9})
    (next_day,) = _alarms(unit, a)
    assert next_day["op_id"] == "tablet-a"
    assert next_day["name"] != alarm["name"]


def test_a_revoked_device_says_nothing_of_the_unit(unit, a):
    """[EX12] [EX21]; it was red before: a revoked device changed the generation."""
    desk = unit.join("desk-d", "booking")
    revoke_device(unit.store, "desk-d", now_ms=NOON_MS)

    answer = unit.handshake(desk, "desk-d", cursors={"unit": 10**9})

    assert answer.status_code == 200
    assert answer.json()["server"] == "generation-1"
    assert _alarms(unit, a) == []


def test_after_a_restore_each_device_comes_once_with_what_it_had_read_before(unit, a, b):
    """[EX21] [EX10]: that is no alarm; one that has read anew and then says so is one.

    The planted bugs it has caught: the alarm came with the first handshake after a restore; a
    message of before that came late was an alarm.
    """
    with unit.store.transaction():
        mark_put_back(unit.store, now_ms=NOON_MS, new_generation="generation-2")

    for _ in range(2):  # The first answer may have been lost.
        unit.handshake(a, "tablet-a", cursors={"care": 9})
    unit.handshake(b, "tablet-b", cursors={"care": 9})
    unit.handshake(a, "tablet-a", wall_ms=NOON_MS + 10)
    unit.handshake(a, "tablet-a", cursors={"care": 9}, wall_ms=NOON_MS + 9)
    assert _alarms(unit, a) == []

    answer = unit.handshake(a, "tablet-a", cursors={"care": 9}, wall_ms=NOON_MS + 11)

    assert answer.json()["server"] == "generation-2"
    (alarm,) = _alarms(unit, b)
    assert alarm["op_id"] == "tablet-a"


def test_a_store_that_was_copied_back_by_hand_is_opened_by_a_command_alone(tmp_path):
    """[EX10] [EX21] [HAZ-40]: what a lost tablet wrote after the copy comes back by another.

    It was red before (there was no such command). The planted bug it has caught: the generation
    stayed, so that no device that had asked before offered again.
    """
    folder, first = tmp_path / "unit", Writer("tablet-a")
    standing = StandingUnit(folder)
    with standing.serving():
        a, b = standing.join("tablet-a"), standing.join("tablet-b")
        standing.push(a, "tablet-a", texts(first.write()))
        standing.store.copy_to(tmp_path / "copy")
        standing.push(a, "tablet-a", texts(first.write("puncture/p-2")))
    for part in folder.glob("crura.db*"):
        part.unlink(missing_ok=True)
    shutil.copyfile(tmp_path / "copy", folder / FILE_NAME)
    signers, auth = standing.signers, standing.auth

    copied = StandingUnit(folder)
    copied.signers, copied.auth = signers, auth
    with copied.serving():
        copied.handshake(b, "tablet-b", cursors={"care": 2})
        assert len(_alarms(copied, b)) == 1
        assert_problem(_offer(copied, b, "tablet-b", *texts(first.log[1])), 403, "older copy")

    answer = CliRunner().invoke(restore, ["--copied-back", "--data", str(folder)])
    assert answer.exit_code == 0, answer.output

    opened = StandingUnit(folder)
    opened.signers, opened.auth = signers, auth
    with opened.serving():
        said = opened.handshake(b, "tablet-b", cursors={"care": 2}).json()
        assert said["server"] not in ("", "generation-1")
        assert _alarms(opened, b) == []
        heads, logs = [carried_head(first.log[1])], [("tablet-a", "ep01")]
        offered = _offer(opened, b, "tablet-b", *texts(first.log[1]), logs=logs, heads=heads)
        assert offered.json()["held"] == [{"device": "tablet-a", "epoch": "ep01", "counter": 2}]
        with opened.store.transaction():
            (line,) = [it for it in opened.store.access.lines() if it.verb == "restore"]
        assert line.asker == "machine"


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ([], "Name the backup that is to be put back"),
        (["some.backup", "--copied-back"], "Name a backup or say --copied-back, not both"),
        (["--copied-back"], "holds no store"),
    ],
)
def test_the_command_says_what_to_name(tmp_path, arguments, part):
    """[EX10]."""
    answer = CliRunner().invoke(restore, [*arguments, "--data", str(tmp_path / "none")])

    assert answer.exit_code == 2
    assert part in " ".join(answer.output.split())


def test_what_was_read_last_tells_an_older_copy_whose_numbers_have_grown_on(unit, a, b):
    """[EX20] [EX21]: another entry of others stands where the device says it read one.

    The planted bugs it has caught: own entries were compared too; what lies above was compared.
    """
    first, other = Writer("tablet-a"), Writer("tablet-b")
    unit.push(a, "tablet-a", texts(one := first.write()))
    unit.push(b, "tablet-b", texts(two := other.write()))
    unit.push(a, "tablet-a", texts(first.write()))

    def say(after, hash_, headers=b, device="tablet-b"):
        read = {"care": {"after": after, "hash": hash_}}
        return unit.handshake(headers, device, last_read=read).json()

    agreeing = [say(1, one.hash), say(2, one.hash), say(2, two.hash, a, "tablet-a")]
    assert {(it["last_read"], it["server"]) for it in agreeing} == {("agrees", "generation-1")}

    differing = say(3, two.hash)
    assert differing["last_read"] == "differs"
    assert differing["server"] == "generation-1"
    (alarm,) = _alarms(unit, a)
    assert alarm["op_id"] == "tablet-b"
    # One that heard of the older copy by its new name alone is told as well.
    assert say(3, one.hash)["last_read"] == "differs"
    assert unit.handshake(b, "tablet-b").json()["last_read"] == "agrees"


def test_a_stream_that_a_role_does_not_read_is_not_compared(unit, a):
    """[EX20] [EX7]."""
    desk = unit.join("desk-d", "booking")
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))
    read = {"care": {"after": 1, "hash": "0" * 64}}

    answer = unit.handshake(desk, "desk-d", last_read=read).json()

    assert answer["last_read"] == "agrees"
    assert answer["server"] == "generation-1"


def test_server_restored_from_backup_gets_everything_of_a_wiped_tablet_back(tmp_path):
    """[EX10] [HAZ-40]: two tablets are gone, the third holds what they wrote after the backup.

    The planted bug it has caught: what was supplied was taken for held and not written.
    """
    standing = StandingUnit(tmp_path / "unit")
    wiped, other = Writer("tablet-a"), Writer("tablet-c")
    with standing.serving():
        for name in ("tablet-a", "tablet-b", "tablet-c"):
            standing.join(name)
        with standing.store.transaction():
            devices = {
                name: standing.store.devices.find(name)
                for name in "abc"
                for name in [f"tablet-{name}"]
            }
        for writer, count in ((wiped, 40), (other, 10)):
            made = [writer.write(f"puncture/p-{number}") for number in range(count)]
            receive_push(
                standing.store,
                devices[writer.device],
                texts(*made),
                now_ms=NOON_MS,
                signature=standing.signers[writer.device].sign_head(made[-1]),
            )
        write_backup(standing.store, tmp_path / "backup")
        for writer, count in ((wiped, 25), (other, 5)):
            made = [writer.write(f"puncture/q-{number}") for number in range(count)]
            receive_push(
                standing.store,
                devices[writer.device],
                texts(*made),
                now_ms=NOON_MS,
                signature=standing.signers[writer.device].sign_head(made[-1]),
            )
    restore_unit(tmp_path / "backup", tmp_path / "unit", new_generation="g-2", now_ms=NOON_MS)
    restored = open_unit_store(tmp_path / "unit", new_generation="g-3")

    asked = receive_resupply(
        restored,
        devices["tablet-b"],
        [("tablet-a", "ep01"), ("tablet-c", "ep01"), ("tablet-x", "ep01")],
        [],
        now_ms=NOON_MS,
    )
    lacking = [
        texts(*writer.log[held.counter :])
        for writer, held in zip((wiped, other), asked.held[:2], strict=True)
    ]
    for writer, operations in zip((wiped, other), lacking, strict=True):
        heads = [BroughtHead(*carried_head(writer.log[-1]))]
        receive_resupply(restored, devices["tablet-b"], [], operations, now_ms=NOON_MS, heads=heads)

    assert [held.counter for held in asked.held] == [40, 10, 0]
    assert [len(operations) for operations in lacking] == [25, 5]
    for writer in (wiped, other):
        stored = list(restored.operations.of_log(writer.device, "ep01"))
        assert texts(*stored) == texts(*writer.log)
    assert restored.operations.count() == 80
    assert verify_log(restored).findings == ()
    restored.close()


def test_a_server_that_was_not_put_back_takes_only_what_a_device_wrote_itself(unit, a, b):
    """[EX10]."""
    operations = texts(Writer("tablet-a").write())

    assert_problem(_offer(unit, b, "tablet-b", *operations), 403, "not put back")
    assert unit.written() == (0, 0, 0)


def test_what_leaves_a_gap_waits_in_sight_until_the_gap_is_filled(unit, a, b, put_back):
    """[EX11] [LG2]: by another offer, or by a push of the device itself.

    The planted bug it has caught: only the first of those that waited was let in.
    """
    desk = unit.join("desk-c", "booking")
    writer = Writer("tablet-a")
    booking = [writer.write("visit/v-1", "booking", set={"label": "Visit 1"})]
    care = writer.write("puncture/p-1")
    booking += [
        writer.write(f"visit/v-{number}", "booking", set={"label": "V"}) for number in (2, 3)
    ]

    heads = [carried_head(booking[0]), carried_head(booking[2])]
    answer = _offer(unit, desk, "desk-c", *texts(*booking), heads=heads).json()
    assert answer["waiting"] == 2
    assert _waiting(unit) == {"tablet-a.ep01": 2}
    assert unit.client.get("/api/health").json()["waiting"] == 2
    assert verify_log(unit.store).waiting == 2
    assert _pulled(unit, desk, "booking") == [booking[0].op_id]

    again = _offer(unit, desk, "desk-c", *texts(*booking)).json()
    assert again["waiting"] == 2
    unit.push(a, "tablet-a", texts(*writer.log[:2]))

    assert _waiting(unit) == {}
    assert _pulled(unit, desk, "booking") == [one.op_id for one in booking]
    assert _pulled(unit, b) == [care.op_id]
    assert verify_log(unit.store).findings == ()


def test_a_booking_device_supplies_only_what_it_may_hold(unit, put_back):
    """[EX10] [EX7]."""
    desk = unit.join("desk-c", "booking")

    answer = _offer(unit, desk, "desk-c", *texts(Writer("tablet-a").write()))

    assert_problem(answer, 403, "does not read")
    assert unit.written() == (0, 0, 0)


def test_own_operations_go_by_a_push(unit, a, put_back):
    answer = _offer(unit, a, "tablet-a", *texts(Writer("tablet-a").write()))

    assert_problem(answer, 403, "Send it by a push")


def test_forged_op_in_an_offer_is_set_aside_and_its_place_stays_free(unit, b, put_back):
    """[EX10] [OP5]: the true body comes from elsewhere."""
    first = Writer("tablet-a").write()

    answer = _offer(unit, b, "tablet-b", forged(first)).json()
    assert [one["op_id"] for one in answer["quarantined"]] == [first.op_id]
    assert _offer(unit, b, "tablet-b", *texts(first)).json()["quarantined"] == []
    headers = unit.join("tablet-d")

    assert _pulled(unit, headers) == [first.op_id]


def test_a_second_version_of_a_supplied_operation_is_a_fork_with_its_proof(unit, a, b, put_back):
    """[LG5] [EX10]: a copy of tablet A has signed it, with the key that both have."""
    of_copy = Writer("tablet-a").write(set={"stop_um": 1})
    true = Writer("tablet-a").write(set={"stop_um": 2})
    _offer(unit, b, "tablet-b", *texts(of_copy), heads=[carried_head(of_copy)])

    answer = unit.push(a, "tablet-a", texts(true)).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [true.op_id]
    with unit.store.transaction():
        (fork,) = unit.store.marks.forks()
    assert (fork.counter, fork.held_hash, fork.other_hash) == (1, of_copy.hash, true.hash)


def test_a_waiting_operation_of_another_branch_is_set_aside_when_its_turn_comes(
    unit, a, b, put_back
):
    """[EX11] [LG5]."""
    one, other = Writer("tablet-a"), Writer("tablet-a")
    one.write(set={"stop_um": 1})
    other.write(set={"stop_um": 2})
    follows_other = other.write("puncture/p-2")
    heads = [carried_head(follows_other)]
    _offer(unit, b, "tablet-b", *texts(follows_other), heads=heads)

    unit.push(a, "tablet-a", texts(*one.log))

    assert _waiting(unit) == {}
    with unit.store.transaction():
        kept = unit.store.operations.quarantined()
        forks = unit.store.marks.forks()
    assert [held.op_id for held in kept] == [follows_other.op_id]
    assert [(fork.counter, fork.other_hash) for fork in forks] == [(1, follows_other.previous)]
