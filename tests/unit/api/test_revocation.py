"""A revoked device: what it wrote before stands, what comes later is kept aside."""

import json

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.unit_store import open_unit_store
from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import invite_device
from api.use_cases.receive_resupply import PUT_BACK
from api.use_cases.revoke_device import revoke_device
from tests.unit.api.standing_unit import (
    LOCAL_KEY,
    NOON_MS,
    REVOKED,
    StandingUnit,
    Writer,
    assert_problem,
    texts,
)


def _records(unit, headers):
    operations = unit.pull(headers, "care").json()["operations"]
    return [json.loads(envelope)["record"] for _, envelope, _ in operations]


def test_later_operations_are_acknowledged_as_set_aside_and_earlier_ones_stand(unit, a, b):
    """[EX12]. The planted bug it has caught: `end_of` counted what came after."""
    writer = Writer("tablet-a")
    before = writer.write("puncture/p-1")
    unit.push(a, "tablet-a", texts(before))
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    later, other_epoch = (
        writer.write("puncture/p-2"),
        Writer("tablet-a", "ep02").write("puncture/p-3"),
    )

    again = unit.push(a, "tablet-a", texts(before)).json()
    answer = unit.push(a, "tablet-a", texts(later)).json()
    in_new_epoch = unit.push(a, "tablet-a", texts(other_epoch)).json()

    assert again["quarantined"] == []
    assert [one["op_id"] for one in answer["quarantined"]] == [later.op_id]
    assert "whatever time it bears" in answer["quarantined"][0]["sentence"]
    assert answer["tip"] == {"epoch": "ep01", "counter": 2, "hash": later.hash}
    assert [one["op_id"] for one in in_new_epoch["quarantined"]] == [other_epoch.op_id]
    assert _records(unit, b) == ["puncture/p-1"]


def test_forged_op_a_back_dated_stamp_proves_nothing(unit, a, b):
    """[EX12]: stamped a year before the revocation, received after it."""
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS + 365 * 86_400_000)

    answer = unit.push(a, "tablet-a", texts(Writer("tablet-a").write())).json()

    assert len(answer["quarantined"]) == 1
    assert _records(unit, b) == []


def test_a_revoked_device_reads_nothing_and_supplies_nothing(unit, a, b):
    """[EX12]."""
    unit.push(b, "tablet-b", texts(Writer("tablet-b").write()))
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    offer = {"device": "tablet-a", "logs": [["tablet-b", "ep01"]]}

    assert unit.handshake(a, "tablet-a").status_code == 200
    assert_problem(unit.pull(a, "care"), 403, "was revoked", kind=REVOKED)
    offered = unit.client.post("/api/exchange/resupply", json=offer, headers=a)
    assert offered.status_code == 403
    assert "was revoked" in offered.json()["detail"]


def test_what_another_device_supplies_of_a_revoked_one_is_set_aside_too(unit, a, b):
    """[EX12] [EX10]."""
    writer = Writer("tablet-a")
    first, second = writer.write("puncture/p-1"), writer.write("puncture/p-2")
    unit.push(a, "tablet-a", texts(first))
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    with unit.store.transaction():
        unit.store.keep_fact(PUT_BACK, str(NOON_MS))

    offer = {"device": "tablet-b", "operations": texts(first, second)}
    answer = unit.client.post("/api/exchange/resupply", json=offer, headers=b).json()

    assert [one["op_id"] for one in answer["quarantined"]] == [second.op_id]
    assert _records(unit, b) == ["puncture/p-1"]


def test_a_revoked_device_does_not_join_again_under_its_id(unit, a):
    """[EX12]: also with an invitation and its own token."""
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    code = unit.environment.new_code()
    invite_device(unit.store, "bedside", code=code, now_ms=unit.environment.now_ms())

    answer = unit.ask_to_join(code, "tablet-a", **a)

    assert_problem(answer, 403, "was revoked")
    assert_problem(unit.pull(a, "care"), 403, "was revoked", kind=REVOKED)


def test_an_unknown_device_and_one_revoked_before_are_refused_in_a_sentence(unit, a):
    revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)

    with pytest.raises(NotAllowedError, match="revoked before"):
        revoke_device(unit.store, "tablet-a", now_ms=NOON_MS)
    with pytest.raises(NotAllowedError, match="No device has the id"):
        revoke_device(unit.store, "tablet-x", now_ms=NOON_MS)


def test_the_running_server_revokes_with_the_key_of_the_folder_alone(unit, a):
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write()))
    asked = {"device": "tablet-a"}

    refused = unit.client.post("/api/revocations", json=asked, headers=a)
    done = unit.client.post(
        "/api/revocations", json=asked, headers={"authorization": f"Bearer {LOCAL_KEY}"}
    )

    assert_problem(refused, 403, "unit admin")
    assert [end["counter"] for end in done.json()["ends"]] == [1]
    assert_problem(unit.pull(a, "care"), 403, "was revoked", kind=REVOKED)


def test_the_command_revokes_in_a_store_that_no_server_holds(tmp_path):
    standing = StandingUnit(tmp_path / "unit")
    with standing.serving():
        standing.join("tablet-a")

    done = CliRunner().invoke(
        main, ["device", "revoke", "tablet-a", "--data", str(tmp_path / "unit")]
    )

    assert done.exit_code == 0, done.output
    assert "tablet-a is revoked" in done.output
    store = open_unit_store(tmp_path / "unit", new_generation="g")
    with store.transaction():
        device = store.devices.find("tablet-a")
    store.close()
    assert device is not None
    assert device.revoked_ms is not None
