"""Names of devices: given by whoever invites, numbered by default, never the same twice."""

import pytest

from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.name_device import rename_device
from tests.unit.api.standing_unit import LOCAL_KEY, assert_problem

MACHINE = {"authorization": f"Bearer {LOCAL_KEY}"}


def _invite(unit, role="bedside", name=""):
    code = unit.environment.new_code()
    given = invite_device(
        unit.store, role, code=code, now_ms=unit.environment.now_ms(), is_trusted=True, name=name
    )
    return code, given


def _names(unit):
    listed = unit.client.get("/api/unit-devices", headers=MACHINE).json()["devices"]
    return {one["id"]: one["name"] for one in listed}


def test_devices_are_numbered_by_what_they_are(unit):
    """Caught: each tablet was named "tablet", so that nobody at the desk told two apart."""
    for device, role in (("tab-a", "bedside"), ("tab-b", "bedside"), ("desk-c", "booking")):
        code, _ = _invite(unit, role)
        assert unit.ask_to_join(code, device, "tablet").status_code == 201

    assert _names(unit) == {"tab-a": "Tablet 1", "tab-b": "Tablet 2", "desk-c": "Desk 1"}


def test_two_open_invitations_bear_two_names_and_one_that_is_over_gives_its_own_back(unit):
    assert [_invite(unit)[1], _invite(unit)[1]] == ["Tablet 1", "Tablet 2"]
    unit.environment.moved["ms"] += TEN_MINUTES_MS
    assert _invite(unit)[1] == "Tablet 1"


def test_the_number_of_a_revoked_device_is_not_given_again_and_its_own_name_may_be(unit):
    """Caught: the count of devices taken for the next number."""
    for device, name in (("tab-a", ""), ("tab-b", "tablet  7"), ("tab-c", "Room 2")):
        assert unit.ask_to_join(_invite(unit, name=name)[0], device, "x").status_code == 201
        with unit.store.transaction():
            unit.store.devices.revoke(device, revoked_ms=1)

    assert _invite(unit)[1] == "Tablet 8"
    assert _invite(unit, name="Room 2")[1] == "Room 2"


@pytest.mark.parametrize(
    "name", ["Room 2", " room  2 ", "ROOM 2", "Room\u00a02", "x" * 61, "Room\x1b[2J", "\u202eRoom"]
)
def test_a_name_that_is_taken_or_cannot_be_printed_is_refused(unit, name):
    _invite(unit, name="Room 2")
    with pytest.raises(NotAllowedError, match=r"already|1 to 60 characters"):
        _invite(unit, name=name)


def test_the_desk_gives_a_name_and_the_device_is_told_it(unit):
    asked = {"role": "bedside", "name": "Tablet room 2"}
    made = unit.client.post("/api/invitations", json=asked, headers=MACHINE).json()
    joined = unit.ask_to_join(made["code"], "tab-a", "tablet")

    assert (made["name"], joined.json()["name"]) == ("Tablet room 2", "Tablet room 2")


def test_a_device_that_joins_again_keeps_its_name(unit):
    """Caught: a tablet that asked for its key was listed under another name, and nobody knew it."""
    headers = unit.join("tab-a")
    unit.join("tab-b")
    unit.join("tab-a", for_recovery=True, **headers)

    assert _names(unit) == {"tab-a": "Tablet 1", "tab-b": "Tablet 2"}


def test_a_device_of_an_earlier_release_gets_a_name_when_it_joins_again(unit):
    headers = unit.join("tab-a")
    with unit.store.transaction():
        unit.store.devices.rename("tab-a", "tablet")
    unit.join("tab-a", **headers)

    assert _names(unit) == {"tab-a": "Tablet 1"}


def test_renamed_at_the_desk_the_tablet_learns_it_with_what_it_tells(unit, standing):
    headers = unit.join("tab-a")
    unit.join("tab-b")
    asked = {"device": "tab-a", "name": "Tablet room 4"}
    renamed = unit.client.post("/api/device-names", json=asked, headers=MACHINE)

    assert (renamed.status_code, renamed.json()["name"]) == (201, "Tablet room 4")
    told = unit.client.post("/api/device-standing", json=standing, headers=headers)
    assert told.json()["name"] == "Tablet room 4"
    own = unit.client.get("/api/devices/own", headers=headers).json()
    assert own["name"] == "Tablet room 4"
    same = {"device": "tab-a", "name": "tablet ROOM 4"}
    assert unit.client.post("/api/device-names", json=same, headers=MACHINE).status_code == 201
    taken = {"device": "tab-b", "name": "tablet ROOM 4"}
    answer = unit.client.post("/api/device-names", json=taken, headers=MACHINE)
    assert_problem(answer, 403, "already")


def test_a_device_that_is_gone_is_not_renamed(unit):
    unit.join("tab-a")
    with unit.store.transaction():
        unit.store.devices.revoke("tab-a", revoked_ms=1)
    for device in ("tab-a", "tab-x"):
        with pytest.raises(NotAllowedError, match="crura device list"):
            rename_device(unit.store, device, "Room 1", now_ms=1)


@pytest.fixture
def standing():
    """What a tablet tells of itself where it knows nothing."""
    return {
        "build": None,
        "catalogue": None,
        "rules": None,
        "rules_on": None,
        "unsent": None,
        "unsent_pictures": None,
        "is_kept": None,
        "used_bytes": None,
        "quota_bytes": None,
    }
