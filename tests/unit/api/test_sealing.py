"""Sealed bytes open for their receiver alone; sealed pushes and lost keys over HTTP (SE1-SE4)."""

import base64
import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.p256 import read_base64, write_base64, write_public_key
from api.storage.sealing import about_entry, about_return, about_share, open_sealed, seal
from api.storage.server_key import ServerKey
from api.use_cases.confirm_device import confirm_device
from sync.request_signing import write_fingerprint
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import StandingUnit, Writer, assert_problem, texts

VECTORS = Path(__file__).parents[2] / "conformance/sealing/open_sealed.json"
CASES = json.loads(VECTORS.read_text(encoding="utf-8"))["cases"]
DATA_KEY = bytes(range(32))


@pytest.fixture
def unit(tmp_path):
    standing = StandingUnit(tmp_path)
    with standing.serving():
        yield standing


@pytest.mark.parametrize("case", CASES, ids=[case["description"] for case in CASES])
def test_open_sealed(case):
    """[SE1] The planted bug it has caught: an info that left out what the bytes are about."""
    given = case["given"]
    receiver = serialization.load_der_private_key(base64.b64decode(given["receiver"]), None)
    assert isinstance(receiver, ec.EllipticCurvePrivateKey)

    opened = open_sealed(ServerKey(receiver), given["about"], base64.b64decode(given["sealed"]))

    assert (None if opened is None else opened.decode()) == case["expect"]


def test_the_same_content_is_sealed_otherwise_each_time(unit):
    """[SE1] A key used twice under one nonce would give both contents away."""
    key = unit.store.server_key
    one, other = (seal(key.public_key, "entry\na\nb\n1", b"the same") for _ in range(2))

    assert one[1:66] != other[1:66]
    assert one[66:] != other[66:]
    assert open_sealed(key, "entry\na\nb\n1", one) == b"the same"


def _seal_texts(unit, pairs, device="tablet-a", epoch="ep01", first=1):
    return [
        (
            epoch,
            counter,
            write_base64(
                seal(
                    unit.store.server_key.public_key,
                    about_entry(device, epoch, counter),
                    json.dumps(pair).encode(),
                )
            ),
        )
        for counter, pair in enumerate(pairs, first)
    ]


def _send(unit, headers, entries, last, device="tablet-a"):
    signature = unit.signers[device].sign_head(last)
    content = {"device": device, "entries": entries, "signature": signature}
    return unit.client.post("/api/exchange/sealed", json=content, headers=headers)


def test_sealed_entries_are_taken_in_as_a_push_is(unit):
    """[SE3] [SEC-14] The log goes on from there, sealed or not; a repeat changes nothing."""
    headers = unit.join("tablet-a")
    writer = Writer("tablet-a")
    first, second = writer.write(), writer.write("puncture/p-2")
    entries = _seal_texts(unit, texts(first, second))

    answer = _send(unit, headers, entries, second)

    assert answer.status_code == 200, answer.text
    assert answer.json()["tip"]["counter"] == 2
    assert unit.written() == (2, 0, 2)
    assert _send(unit, headers, entries, second).json()["tip"]["counter"] == 2
    third = writer.write("puncture/p-3")
    assert unit.push(headers, "tablet-a", texts(third)).json()["tip"]["counter"] == 3


@pytest.mark.parametrize("harm", ["place", "letter", "content", "other unit"])
def test_one_entry_that_does_not_open_takes_in_none(unit, tmp_path_factory, harm):
    """[SE3] The planted bug it has caught: entries that do not open left out of the batch.

    The sentence says what to do, and holds nothing of what was sent.
    """
    headers = unit.join("tablet-a")
    writer = Writer("tablet-a")
    first, second = writer.write(), writer.write("puncture/p-2")
    entries = _seal_texts(unit, texts(first, second))
    epoch, counter, sealed = entries[1]
    if harm == "place":
        entries[1] = (epoch, counter, entries[0][2])
    elif harm == "letter":
        entries[1] = (
            epoch,
            counter,
            sealed[:-8] + ("A" if sealed[-8] != "A" else "B") + sealed[-7:],
        )
    elif harm == "content":
        entries[1] = _seal_texts(unit, [["only one text"]], first=2)[0]
    else:
        other = StandingUnit(tmp_path_factory.mktemp("other"))
        entries[1] = _seal_texts(other, texts(second), first=2)[0]

    answer = _send(unit, headers, entries, second)

    assert_problem(answer, 422, "Entry 2 of this tablet was not sealed for this unit", "Unlock")
    assert second.record not in answer.text
    assert unit.written() == (0, 0, 0)


def test_sealed_entries_need_the_signature_that_a_push_needs(unit):
    """[SE3] [SG3] Whoever can seal for the unit (its key is public) writes no log of a device."""
    headers = unit.join("tablet-a")
    written = Writer("tablet-a").write()
    entries = _seal_texts(unit, texts(written))
    stranger = SigningDevice("stranger").sign_head(written)
    content = {"device": "tablet-a", "entries": entries, "signature": stranger}

    answer = unit.client.post("/api/exchange/sealed", json=content, headers=headers)

    assert answer.json()["tip"]["counter"] == 0
    assert answer.json()["quarantined"][0]["sentence"].startswith("ALARM")
    assert unit.client.post("/api/exchange/sealed", json=content).status_code == 401


def _recover(unit, headers, device="tablet-a", share=None, to=None):
    key = ec.derive_private_key(77, ec.SECP256R1())
    sealed = seal(unit.store.server_key.public_key, about_share(device), DATA_KEY)
    content = {
        "device": device,
        "share": write_base64(sealed) if share is None else share,
        "to": write_base64(write_public_key(key.public_key())) if to is None else to,
    }
    answer = unit.client.post("/api/devices/recovery", json=content, headers=headers)
    return answer, ServerKey(key)


def _lost(unit, device="tablet-a", **more):
    """Let a tablet join whose keys are lost, trusted where nothing else is said."""
    return unit.join(device, for_recovery=True, **more)


def _let_in(unit, device="tablet-a"):
    digits = write_fingerprint(unit.signers[device].key_id)
    confirm_device(unit.store, device, digits, by="", now_ms=unit.environment.now_ms())


def _noted(unit):
    with unit.store.transaction():
        lines = list(unit.store.access.lines())
    return [(line.who, line.outcome) for line in lines if line.object == "recovery"]


def test_a_tablet_gets_its_own_key_back_and_that_is_noted(unit):
    """[SE4] [SEC-12] [AU5]"""
    headers = _lost(unit)

    answer, key = _recover(unit, headers)

    assert answer.status_code == 200, answer.text
    sealed = read_base64(answer.json()["sealed"])
    assert open_sealed(key, about_return("tablet-a"), sealed) == DATA_KEY
    assert base64.b64encode(DATA_KEY).decode() not in answer.text
    assert _noted(unit) == [("tablet-a", "done")]


def test_nobody_gets_the_key_of_another_tablet(unit):
    """[SE4] The planted bug it has caught: shares that are bound to no device."""
    _lost(unit)
    thief = _lost(unit, "tablet-b")
    of_a = write_base64(seal(unit.store.server_key.public_key, about_share("tablet-a"), DATA_KEY))

    as_itself, _ = _recover(unit, thief, device="tablet-b", share=of_a)
    as_the_other, _ = _recover(unit, thief, device="tablet-a", share=of_a)
    without_a_device, _ = _recover(unit, {}, share=of_a)

    assert_problem(as_itself, 403, "was not sealed by it for this unit")
    assert as_the_other.status_code == 403
    assert without_a_device.status_code == 401
    assert _noted(unit) == [("tablet-b", "refused")]


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [({"share": "AAAA"}, "was not sealed"), ({"to": "AAAA"}, "sent no key to answer to")],
)
def test_what_is_no_share_or_no_key_is_refused_and_noted(unit, changed, sentence):
    """[SE4]"""
    headers = _lost(unit)
    answer, _ = _recover(unit, headers, **changed)

    assert_problem(answer, 403, sentence)
    assert _noted(unit) == [("tablet-a", "refused")]
    assert _recover(unit, headers)[0].status_code == 200, "a slip uses nothing up"


def test_a_tablet_that_is_joined_gets_no_key_without_a_fresh_invitation(unit):
    """[SE4] [SEC-12] Ten wrong PINs of each person leave a thief with a tablet that is joined.

    The planted bugs it has caught: the key given back to whatever is joined; any joining taken as
    one for recovery.
    """
    first = unit.join("tablet-a")
    again = unit.join("tablet-a", **first)

    for headers in (again, again):
        assert_problem(_recover(unit, headers)[0], 403, "fresh invitation")
    assert _noted(unit) == [("tablet-a", "refused")] * 2


def test_one_joining_gives_the_key_back_once(unit):
    """[SE4] The planted bug it has caught: a recovery that used nothing up."""
    headers = _lost(unit)
    assert _recover(unit, headers)[0].status_code == 200

    assert_problem(_recover(unit, headers)[0], 403, "once for each invitation")
    assert _recover(unit, _lost(unit, **headers))[0].status_code == 200
    assert [outcome for _, outcome in _noted(unit)] == ["done", "refused", "done"]


@pytest.mark.parametrize(("waited_ms", "status"), [(599_999, 200), (600_000, 403), (600_001, 403)])
def test_the_key_is_given_back_within_ten_minutes_of_being_let_in(unit, waited_ms, status):
    """[SE4] [RQ7] The minutes begin at the comparing of the digits."""
    headers = _lost(unit, is_trusted=False)
    unit.environment.moved["ms"] += 700_000
    _let_in(unit)
    unit.environment.moved["ms"] += waited_ms

    assert _recover(unit, headers)[0].status_code == status


def test_joined_anew_for_its_key_it_waits_for_the_digits_also_with_a_confirmed_key(unit):
    """[SE4] [RQ7] The key that was compared lies in the very tablet that may be stolen.

    The planted bug it has caught: a confirmed key that let in who asked for the data key.
    """
    known = unit.join("tablet-a")

    headers = _lost(unit, is_trusted=False, **known)

    assert _recover(unit, headers)[0].json()["type"] == "/problems/device-waiting"
    # A joining for something else is no way round it.
    once_more = unit.join("tablet-a", is_trusted=False, **headers)
    assert _recover(unit, once_more)[0].json()["type"] == "/problems/device-waiting"
    headers = _lost(unit, is_trusted=False, **once_more)
    _let_in(unit)
    assert _recover(unit, headers)[0].status_code == 200


def test_with_its_key_back_a_tablet_goes_on_in_an_epoch_of_its_own(unit):
    """[SE4] [SG6] The signing key may be the one from before, where PINs alone were used up."""
    before, after = Writer("tablet-a").write(), Writer("tablet-a", "ep02").write("puncture/p-2")
    known = unit.join("tablet-a")
    assert unit.push(known, "tablet-a", texts(before)).json()["quarantined"] == []
    headers = _lost(unit, epoch="ep02", **known)
    assert _recover(unit, headers)[0].status_code == 200

    answer = unit.push(headers, "tablet-a", texts(after))

    assert (answer.status_code, answer.json()["quarantined"]) == (200, [])
    assert unit.written() == (2, 0, 2)
