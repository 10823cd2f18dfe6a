"""Signed pushes: what a device with a key sends is its own, or nothing of it is taken in."""

import stat

import pytest
from msgspec.structs import replace

from api.storage.errors import StorageError
from api.storage.p256 import read_base64
from api.storage.server_key import FILE_NAME as KEY_FILE
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import JoinRefusedError
from api.use_cases.invite_device import invite_device
from api.use_cases.join_device import join_device
from api.use_cases.receive_push import receive_push
from api.use_cases.server_log import SERVER_DEVICE, Chance
from api.use_cases.verify_log import verify_log
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import Writer, assert_problem, forged, texts


def _invite(unit):
    code, now_ms = unit.environment.new_code(), unit.environment.now_ms()
    invite_device(unit.store, "bedside", code=code, now_ms=now_ms, is_trusted=True)
    return code


def _join(unit, key, epoch="ep01", device="tablet-a", headers=None):
    return unit.ask_to_join(_invite(unit), device, key=key, epoch=epoch, **(headers or {}))


def _bearer(answer):
    assert answer.status_code == 201, answer.text
    return {"authorization": f"Bearer {answer.json()['token']}"}


@pytest.fixture
def signer():
    return SigningDevice("tablet-a")


@pytest.fixture
def headers(unit, signer):
    return _bearer(_join(unit, signer))


def _push(unit, headers, operations, signature=None):
    answer = unit.push(headers, "tablet-a", texts(*operations), signature=signature)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_a_signed_push_is_taken_in_and_its_signature_kept(unit, signer, headers):
    """[SG1] [SG3]."""
    writer = Writer("tablet-a")
    batch = [writer.write(f"puncture/p-{number}") for number in range(3)]

    answer = _push(unit, headers, batch, signer.sign_head(batch[-1]))

    assert answer["tip"]["counter"] == 3
    assert answer["quarantined"] == []
    with unit.store.transaction():
        (kept,) = unit.store.signatures.heads_of_log("tablet-a", "ep01")
    assert (kept.counter, kept.hash) == (3, batch[-1].hash)
    verification = verify_log(unit.store)
    assert (verification.findings, verification.remarks) == ((), ())


def _of_another_key(batch):
    return SigningDevice("tablet-a", number=2).sign_head(batch[-1])


def _of_the_first(batch):
    return SigningDevice("tablet-a").sign_head(batch[0])


@pytest.mark.parametrize(
    ("wrong", "part"),
    [
        (lambda _: None, "is not signed"),
        (lambda _: "", "not signed by the device's key"),
        (lambda _: "AAAA", "not signed by the device's key"),
        (_of_another_key, "not signed by the device's key"),
        (_of_the_first, "not signed by the device's key"),
    ],
)
def test_without_a_valid_signature_nothing_is_taken_in_and_a_person_is_told(
    unit, signer, headers, wrong, part
):
    """[SG3] The planted bug it has caught: a missing signature let through."""
    writer = Writer("tablet-a")
    batch = [writer.write(f"puncture/p-{number}") for number in range(2)]

    answer = _push(unit, headers, batch, wrong(batch))

    assert answer["tip"] == {"epoch": "ep01", "counter": 0, "hash": ""}
    assert [one["op_id"] for one in answer["quarantined"]] == ["tablet-a.ep01.1", "tablet-a.ep01.2"]
    sentence = answer["quarantined"][0]["sentence"]
    assert sentence.startswith("ALARM: ")
    assert part in sentence
    assert unit.written() == (0, 2, 0)
    # The honest queue is not blocked by what somebody else sent under its name.
    after = _push(unit, headers, batch, signer.sign_head(batch[-1]))
    assert (after["tip"]["counter"], after["quarantined"]) == (2, [])
    assert verify_log(unit.store).findings == ()
    assert _push(unit, headers, batch, signer.sign_head(batch[-1]))["quarantined"] == []


def test_one_signature_covers_a_chain_and_no_stranger_beside_it(unit, signer, headers):
    """[SG3] The planted bug it has caught: the chain inside the batch not looked at."""
    writer, other = Writer("tablet-a"), Writer("tablet-a", "ep02")
    slipped_in, own = other.write("puncture/p-9"), writer.write()

    answer = _push(unit, headers, [slipped_in, own], signer.sign_head(own))

    assert "is not one chain" in answer["quarantined"][0]["sentence"]
    assert unit.written() == (0, 2, 0)


def test_a_repeated_push_without_signature_sets_nothing_aside_that_is_held(unit, signer, headers):
    """[SG3]."""
    writer = Writer("tablet-a")
    batch = [writer.write()]
    _push(unit, headers, batch, signer.sign_head(batch[-1]))

    answer = _push(unit, headers, batch)

    assert answer["quarantined"] == []
    assert unit.written() == (1, 0, 1)


def test_a_signed_batch_with_a_forged_body_sets_that_one_aside_alone(unit, signer, headers):
    """[SG3] [EX6] The envelope is signed, the body is held by its commitment."""
    writer = Writer("tablet-a")
    first, second = writer.write(), writer.write("puncture/p-2")
    pushed = [forged(first), *texts(second)]

    answer = unit.push(headers, "tablet-a", pushed, signature=signer.sign_head(second)).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [first.op_id]
    assert answer["tip"]["counter"] == 2
    assert verify_log(unit.store).findings == ()


def test_the_signature_over_a_second_branch_is_kept_as_its_proof(unit, signer, headers):
    """[SG8] [LG4]."""
    one, copy = Writer("tablet-a"), Writer("tablet-a")
    first, second = one.write(), copy.write("puncture/p-2")
    _push(unit, headers, [first], signer.sign_head(first))

    answer = _push(unit, headers, [second], signer.sign_head(second))

    assert [aside["op_id"] for aside in answer["quarantined"]] == ["tablet-a.ep01.1"]
    with unit.store.transaction():
        kept = unit.store.signatures.heads_of_log("tablet-a", "ep01")
    assert {head.hash for head in kept} == {first.hash, second.hash}
    assert verify_log(unit.store).findings == ()


def test_a_log_of_before_there_were_keys_is_signed_once_its_device_has_one(unit, signer):
    """[SG4]."""
    writer = Writer("tablet-a")
    first = writer.write()
    with unit.store.transaction():
        unit.store.devices.keep("tablet-a", "A", "bedside", "token-of-before", joined_ms=1)
        old = unit.store.devices.find("tablet-a")
    receive_push(unit.store, old, texts(first), now_ms=1)
    assert verify_log(unit.store).unsigned == 1
    before = {"authorization": "Bearer token-of-before"}
    refused = unit.push(before, "tablet-a", texts(writer.write()))
    assert_problem(refused, 401, "no key to sign with")
    writer.log.pop()

    after = _bearer(_join(unit, signer, headers=before))
    second = writer.write("puncture/p-2")

    assert _push(unit, after, [second])["tip"]["counter"] == 1
    assert _push(unit, after, [second], signer.sign_head(second))["tip"]["counter"] == 2
    # The chain makes the later signature cover what was sent before.
    verification = verify_log(unit.store)
    assert (verification.findings, verification.unsigned) == ((), 0)


def test_a_device_with_a_key_does_not_join_without_one(unit, headers):
    """[SG4]."""
    token = headers["authorization"].removeprefix("Bearer ")
    with pytest.raises(JoinRefusedError, match="sent no key"):
        join_device(
            unit.store,
            code=_invite(unit),
            device="tablet-a",
            name="A",
            held_token=token,
            new_token="another",
            now_ms=unit.environment.now_ms(),
        )
    without = {"code": _invite(unit), "device": "tablet-a", "name": "A"}
    refused = unit.client.post("/api/devices", json=without, headers=headers)
    assert_problem(refused, 403, "gives no key")


def test_a_new_key_needs_an_invitation_and_ends_the_one_before(unit, signer, headers):
    """[SG5] The planted bug it has caught: any key of the device taken, not the newest alone."""
    writer, after = Writer("tablet-a"), Writer("tablet-a", "ep02")
    first = writer.write()
    _push(unit, headers, [first], signer.sign_head(first))
    newer = SigningDevice("tablet-a", number=2)
    joined = _bearer(_join(unit, newer, "ep02", headers=headers))
    second = after.write("puncture/p-2")

    refused = _push(unit, joined, [second], signer.sign_head(second))
    taken = _push(unit, joined, [second], newer.sign_head(second))

    assert "not signed by the device's key" in refused["quarantined"][0]["sentence"]
    assert taken["tip"]["counter"] == 1
    verification = verify_log(unit.store)
    assert (verification.findings, verification.unsigned) == ((), 0)
    # Whoever has found the former key signs nothing with it where the newer one began.
    with unit.store.transaction():
        (head,) = unit.store.signatures.heads_of_log("tablet-a", "ep02")
        former = unit.store.signatures.keys_of("tablet-a")[0].key_id
        signature = read_base64(signer.sign_head(second)) or b""
        unit.store.signatures.keep_head(replace(head, key_id=former, signature=signature))
    assert "a key that was replaced before" in verify_log(unit.store).findings[0]


def test_a_new_key_does_not_go_on_where_another_has_signed(unit, signer, headers):
    """[SG5]."""
    first = Writer("tablet-a").write()
    _push(unit, headers, [first], signer.sign_head(first))
    newer = SigningDevice("tablet-a", number=2)

    refused = _join(unit, newer, headers=headers)

    assert_problem(refused, 403, "signed with another")
    with unit.store.transaction():
        assert len(unit.store.signatures.keys_of("tablet-a")) == 1


def test_the_same_key_again_is_no_new_key(unit, signer, headers):
    """[SG5]."""
    again = _join(unit, signer, "ep05", headers=headers)

    assert again.status_code == 201
    with unit.store.transaction():
        (key,) = unit.store.signatures.keys_of("tablet-a")
    assert key.from_epoch == "ep01"


@pytest.mark.parametrize(
    ("of", "key_text", "epoch", "part"),
    [
        ("tablet-b", "AAAA", "ep01", "cannot be read"),
        ("tablet-b", "no base64", "ep01", "cannot be read"),
        ("tablet-b", None, "", "from where it signs"),
        ("tablet-b", None, "Ep 1", "from where it signs"),
        ("tablet-a", None, "ep01", "belongs to another"),
    ],
)
def test_a_key_that_does_not_fit_lets_nobody_join(unit, headers, of, key_text, epoch, part):
    """[SG2] [SG5]."""
    key = SigningDevice(of)
    key.key_text = key_text or key.key_text
    assert_problem(_join(unit, key, epoch, "tablet-b"), 403, part)
    with unit.store.transaction():
        assert unit.store.devices.find("tablet-b") is None
        assert unit.store.signatures.keys_of("tablet-b") == []


def _add(store, drawn):
    chance = Chance(f"person{drawn}", f"epoch{drawn}", f"{drawn:032x}", 1_000)
    return add_staff(store, f"Person {drawn}", "assistant", chance=chance)


def test_the_server_signs_each_of_its_own_writes(unit):
    """[SG7]."""
    for drawn in (1, 2, 3):
        _add(unit.store, drawn)

    with unit.store.transaction():
        kept = unit.store.signatures.heads_of_log(SERVER_DEVICE, "epoch1")
    assert [head.counter for head in kept] == [1, 2, 3]
    assert {head.key_id for head in kept} == {unit.store.server_key.key_id}
    verification = verify_log(unit.store)
    assert (verification.findings, verification.unsigned) == ((), 0)


def test_the_key_of_the_server_is_kept_and_readable_by_its_owner_alone(tmp_path):
    """[SG7] [SEC-33]."""
    store = open_unit_store(tmp_path, new_generation="g-1")
    key_id = store.server_key.key_id
    store.close()
    path = tmp_path / KEY_FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o644)

    again = open_unit_store(tmp_path, new_generation="g-1")

    assert again.server_key.key_id == key_id
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    again.close()


def test_a_key_file_that_holds_no_key_is_refused_and_left_as_it_was(tmp_path):
    """[SG7]."""
    (tmp_path / KEY_FILE).write_text("no key")

    with pytest.raises(StorageError, match="holds no signing key"):
        open_unit_store(tmp_path, new_generation="g-1")
    assert (tmp_path / KEY_FILE).read_text() == "no key"
