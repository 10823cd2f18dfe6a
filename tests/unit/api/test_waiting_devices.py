"""Devices that joined and wait for their digits to be compared; lost ones; what each may ask."""

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.device_standings import DeviceStanding
from api.storage.p256 import is_signed, read_base64
from api.storage.unit_store import open_unit_store
from api.use_cases.confirm_device import confirm_device
from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from api.use_cases.join_device import EnrolledKey, join_device
from api.use_cases.revoke_device import revoke_device
from sync.exchange import PROTOCOL_VERSION
from sync.request_signing import write_fingerprint, write_revocation_text
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import LOCAL_KEY, Writer, texts

MACHINE = {"authorization": f"Bearer {LOCAL_KEY}"}
WAITING = "/problems/device-waiting"
REVOKED = "/problems/device-revoked"


@pytest.fixture
def waiting(unit):
    return unit.join("tablet-w", is_trusted=False)


def _digits(unit, device="tablet-w"):
    return write_fingerprint(unit.signers[device].key_id)


def _confirm(unit, digits, device="tablet-w", headers=MACHINE):
    content = {"device": device, "fingerprint": digits}
    return unit.client.post("/api/confirmations", json=content, headers=headers)


def _standing(unit, headers):
    answer = unit.client.get("/api/devices/own", headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def _listed(unit, device="tablet-w"):
    answer = unit.client.get("/api/unit-devices", headers=MACHINE)
    assert answer.status_code == 200, answer.text
    return next(one for one in answer.json()["devices"] if one["id"] == device)


def test_a_device_that_waits_reads_its_standing_and_nothing_else(unit, waiting):
    """[RQ7] The planted bug it has caught: both walls down, guard and provider, it could push."""
    assert _standing(unit, waiting)["is_waiting"] is True
    for ask in (
        lambda: unit.push(waiting, "tablet-w", texts(Writer("tablet-w").write())),
        lambda: unit.pull(waiting, "care"),
        lambda: unit.handshake(waiting, "tablet-w"),
        lambda: unit.client.get("/api/devices", headers=waiting),
        lambda: unit.client.get("/api/unit-devices", headers=waiting),
        # Last: let through, it would never end.
        lambda: unit.client.get("/api/exchange/events", headers=waiting),
    ):
        answer = ask()
        assert answer.status_code == 403, answer.text
        assert answer.json()["type"] == WAITING
        assert "six digits" in answer.json()["detail"]
    assert unit.written() == (0, 0, 0)


def test_the_digits_of_its_own_screen_let_it_in(unit, waiting):
    """[RQ6] [RQ7]."""
    assert _listed(unit)["is_waiting"] is True
    assert _listed(unit)["fingerprint"] == _digits(unit)

    answer = _confirm(unit, f" {_digits(unit)[:3]} {_digits(unit)[3:]} ")

    assert answer.status_code == 201, answer.text
    assert _standing(unit, waiting)["is_waiting"] is False
    assert _listed(unit)["is_waiting"] is False
    assert unit.handshake(waiting, "tablet-w").status_code == 200


@pytest.mark.parametrize(
    "wrong",
    [
        lambda digits: f"{(int(digits) + 1) % 1_000_000:06}",
        lambda digits: digits[:5],
        lambda digits: f"{digits}0",
        lambda _: "",
        lambda digits: digits[::-1] if digits != digits[::-1] else "000000",
    ],
)
def test_other_digits_leave_it_waiting(unit, waiting, wrong):
    """[RQ7] The planted bug it has caught: digits compared by their first ones alone."""
    answer = _confirm(unit, wrong(_digits(unit)))

    assert answer.status_code == 403
    assert "other digits" in answer.json()["detail"]
    assert _standing(unit, waiting)["is_waiting"] is True


def test_nobody_confirms_itself_or_another(unit, waiting, a):
    """[RQ7]."""
    for headers in (waiting, a, {}):
        assert _confirm(unit, _digits(unit), headers=headers).status_code in (401, 403)
    assert _standing(unit, waiting)["is_waiting"] is True


def test_a_device_that_is_in_already_or_unknown_is_not_confirmed(unit, waiting, a):
    """[RQ7]."""
    for device in ("tablet-a", "tablet-x"):
        with pytest.raises(NotAllowedError, match="crura device list"):
            confirm_device(unit.store, device, _digits(unit), by="", now_ms=1)
    revoke_device(unit.store, "tablet-w", now_ms=1)
    with pytest.raises(NotAllowedError, match="crura device list"):
        confirm_device(unit.store, "tablet-w", _digits(unit), by="", now_ms=1)


def test_joined_again_with_the_key_that_was_compared_it_waits_no_more(unit, waiting):
    """[RQ7]."""
    again = unit.join("tablet-w", is_trusted=False, **waiting)
    assert _standing(unit, again)["is_waiting"] is True, "nobody has compared it yet"
    _confirm(unit, _digits(unit))

    last = unit.join("tablet-w", is_trusted=False, **again)

    assert _standing(unit, last)["is_waiting"] is False


def test_joined_again_with_another_key_it_waits_again(unit, waiting):
    """[RQ7] [SG6] The planted bug it has caught: a device once confirmed stayed so with any key."""
    _confirm(unit, _digits(unit))

    key = SigningDevice("tablet-w", 2)
    after = unit.join("tablet-w", key=key, epoch="ep02", is_trusted=False, **waiting)

    assert _standing(unit, after)["is_waiting"] is True
    assert _listed(unit)["fingerprint"] == write_fingerprint(key.key_id)


def test_an_invitation_over_http_is_trusted_only_by_a_command_at_the_server(unit):
    """[RQ7]."""
    for is_trusted in (False, True):
        asked = {"role": "bedside", "is_trusted": is_trusted}
        invited = unit.client.post("/api/invitations", json=asked, headers=MACHINE)
        assert invited.status_code == 201, invited.text
        content = invited.json()
        assert content["fragment"] == f"#join={content['code']}"
        joined = unit.ask_to_join(content["code"], f"tablet-{is_trusted}".lower())
        assert joined.json()["is_waiting"] is not is_trusted


def test_a_revoked_device_is_told_in_words_that_the_unit_has_signed(unit, a):
    """[RQ8] The planted bug it has caught: `wipe` sent beside the signature and not within."""
    for is_lost in (False, True):
        revoke_device(unit.store, "tablet-a", now_ms=7, is_lost=is_lost)
        problem = unit.pull(a, "care").json()

        assert problem["type"] == REVOKED
        said = problem["device"], problem["revoked_ms"], problem["wipe"]
        assert said == ("tablet-a", 7, is_lost)
        text = write_revocation_text("tablet-a", 7, is_lost=is_lost)
        signature = read_base64(problem["signature"])
        assert is_signed(unit.store.server_key.public_key, text.encode(), signature)
        told = _standing(unit, a)["revocation"]
        assert told == {key: problem[key] for key in ("device", "revoked_ms", "wipe", "signature")}


def test_a_lost_device_still_hands_over_what_it_holds(unit, a):
    """[EX12] [RQ8]."""
    before, after = Writer("tablet-a").write(), None
    writer = Writer("tablet-a")
    before = writer.write()
    assert unit.push(a, "tablet-a", texts(before)).json()["quarantined"] == []
    assert (
        unit.client.post(
            "/api/revocations", json={"device": "tablet-a", "is_lost": True}, headers=MACHINE
        ).status_code
        == 201
    )

    after = writer.write()
    answer = unit.push(a, "tablet-a", texts(after))

    assert [one["op_id"] for one in answer.json()["quarantined"]] == [after.op_id]
    assert unit.pull(a, "care").json()["wipe"] is True


def test_a_device_is_revoked_once_and_may_be_lost_after_that(unit, a):
    """[RQ8]."""
    revoke_device(unit.store, "tablet-a", now_ms=1)
    with pytest.raises(NotAllowedError, match="revoked before"):
        revoke_device(unit.store, "tablet-a", now_ms=2)
    revoke_device(unit.store, "tablet-a", now_ms=3, is_lost=True)
    with pytest.raises(NotAllowedError, match="revoked before"):
        revoke_device(unit.store, "tablet-a", now_ms=4, is_lost=True)
    found = unit.store.devices.find("tablet-a")
    assert (found.revoked_ms, found.lost_ms) == (1, 3)


def _asks_for_its_key(unit, headers, device="tablet-w"):
    """The tablet has lost its keys and joins anew; the same signing key does not help it."""
    return unit.join(device, for_recovery=True, is_trusted=False, **headers)


def _refuse_key(unit, device="tablet-w"):
    answer = unit.client.post("/api/recovery-refusals", json={"device": device}, headers=MACHINE)
    return answer.status_code


def test_who_asks_for_a_data_key_is_told_apart_from_who_joins(unit, waiting):
    """[SE4] Caught: the list said of both that they wait, so that a key was given away unseen."""
    assert _listed(unit)["recovery"] == "none"
    _confirm(unit, _digits(unit))

    _asks_for_its_key(unit, waiting)
    assert (_listed(unit)["is_waiting"], _listed(unit)["recovery"]) == (True, "asked")
    assert _confirm(unit, _digits(unit)).status_code == 201
    assert _listed(unit)["recovery"] == "open"
    unit.environment.moved["ms"] += TEN_MINUTES_MS - 1
    assert _listed(unit)["recovery"] == "open"
    unit.environment.moved["ms"] += 1
    assert _listed(unit)["recovery"] == "over"


def test_a_refused_device_gets_no_key_by_any_digits_and_may_ask_again(unit, waiting):
    """[SE4] Caught: the one way to refuse was to revoke, after which nobody opens its records."""
    _confirm(unit, _digits(unit))
    again = _asks_for_its_key(unit, waiting)

    assert _refuse_key(unit) == 201
    assert _listed(unit)["recovery"] == "refused"
    own = _standing(unit, again)
    assert (own["is_waiting"], own["is_key_refused"], own["revocation"]) == (True, True, None)
    answer = _confirm(unit, _digits(unit))
    assert answer.status_code == 403
    assert "refused its key" in answer.json()["detail"]
    assert _refuse_key(unit) == 403, "once"

    last = _asks_for_its_key(unit, again)
    assert (_listed(unit)["recovery"], _standing(unit, last)["is_key_refused"]) == ("asked", False)
    assert _confirm(unit, _digits(unit)).status_code == 201
    assert _refuse_key(unit) == 403, "it was let in meanwhile"


def test_nobody_is_refused_a_key_that_it_does_not_ask_for(unit, waiting, a):
    for device in ("tablet-w", "tablet-a", "tablet-x"):
        assert _refuse_key(unit, device) == 403
    assert _confirm(unit, _digits(unit)).status_code == 201


def _crura(folder, *arguments):
    done = CliRunner().invoke(main, ["device", *arguments, "--data", str(folder)])
    return done.exit_code, done.output


@pytest.fixture
def folder(tmp_path):
    """A data folder that nobody serves, with a device that waits."""
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    invite_device(store, "bedside", code="CODE", now_ms=0)
    key = EnrolledKey(SigningDevice("tablet-w").key_text, "ep01")
    join_device(
        store,
        code="CODE",
        device="tablet-w",
        name="Room 2",
        held_token=None,
        new_token="token",
        now_ms=0,
        key=key,
    )
    store.close()
    return tmp_path / "unit"


def test_the_commands_list_confirm_and_lose_a_device(folder):
    """[RQ6] [RQ7] [RQ8]."""
    digits = write_fingerprint(SigningDevice("tablet-w").key_id)
    shown = f"{digits[:3]} {digits[3:]}"

    assert _crura(folder, "list") == (
        0,
        f"tablet-w  bedside  {shown}  waits to be confirmed  Tablet 1\n",
    )
    code, said = _crura(folder, "confirm", "tablet-w", "000001")
    assert (code, "other digits" in said) == (2, True)
    assert _crura(folder, "confirm", "tablet-w", *shown.split()) == (
        0,
        "tablet-w is in. It goes on by itself.\n",
    )
    assert "is in" in _crura(folder, "list")[1]
    code, said = _crura(folder, "lost", "tablet-w")
    assert (code, "clears itself" in said) == (0, True)
    assert _crura(folder, "list")[1].startswith("No device has joined")


def test_the_commands_say_who_asks_for_a_key_refuse_it_and_rename(folder):
    """[SE4] Caught: `crura device list` said of a tablet without keys that it waits alone."""
    store = open_unit_store(folder, new_generation="generation-1")
    digits = write_fingerprint(SigningDevice("tablet-w").key_id)
    confirm_device(store, "tablet-w", digits, by="", now_ms=1)
    invite_device(store, "bedside", code="CODE2", now_ms=1)
    join_device(
        store,
        code="CODE2",
        device="tablet-w",
        name="tablet-w",
        held_token="token",
        new_token="token-2",
        now_ms=1,
        key=EnrolledKey(SigningDevice("tablet-w").key_text, "ep02"),
        for_recovery=True,
    )
    store.close()

    assert "asks for its data key  Tablet 1" in _crura(folder, "list")[1]
    assert _crura(folder, "refuse-key", "tablet-w")[0] == 0
    assert "was refused its data key" in _crura(folder, "list")[1]
    assert _crura(folder, "refuse-key", "tablet-w")[0] == 2
    code, said = _crura(folder, "rename", "tablet-w", "Room 2")
    assert (code, "is named Room 2" in said) == (0, True)
    assert _crura(folder, "list")[1].endswith("  Room 2\n")
    code, said = _crura(folder, "invite", "--role", "bedside", "--name", "room  2")
    assert (code, "named 'room 2' already" in said) == (2, True)
    assert (
        "named Endoscopy 1, for"
        in _crura(folder, "invite", "--role", "bedside", "--name", "Endoscopy 1")[1]
    )


def test_the_command_says_which_protocol_a_tablet_that_is_in_told(folder):
    """[DM-01] [EX24] Caught: the list told none, and who told nothing looked like the others."""
    digits = write_fingerprint(SigningDevice("tablet-w").key_id)
    assert "exchange version" not in _crura(folder, "list")[1]
    assert _crura(folder, "confirm", "tablet-w", digits)[0] == 0
    assert "  is in, exchange version not told  " in _crura(folder, "list")[1]
    for protocol, words in (
        (PROTOCOL_VERSION, ""),
        (PROTOCOL_VERSION + 1, ", another than the unit's"),
    ):
        store = open_unit_store(folder, new_generation="generation-1")
        with store.transaction():
            standing = DeviceStanding(protocol=protocol)
            store.device_standings.keep("tablet-w", standing, told_ms=2**40)
        store.close()
        assert f"  is in, exchange version {protocol}{words}  " in _crura(folder, "list")[1]


def test_an_invitation_is_printed_as_code_link_and_drawing(folder):
    """[RQ7] 16 letters of 31 are 79 random bits, above the 64 asked for."""
    code, said = _crura(folder, "invite", "--role", "bedside")

    lines = said.splitlines()
    assert code == 0
    assert lines[1].endswith(f"/#join={lines[0]}")
    assert len(lines[0].replace("-", "")) == 16
    assert "█" in said
    assert "for 10 minutes" in said
    assert "crura device confirm" in said
    _, of_trusted = _crura(folder, "invite", "--role", "booking", "--trusted")
    assert "crura device confirm" not in of_trusted
