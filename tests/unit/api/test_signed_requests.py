"""Requests of devices: signed, as they travel, under a nonce that is good once; or nothing.

Whatever is refused here has written nothing.
"""

import asyncio
import hashlib

import httpx
import msgspec
import pytest

from api.routes import nonces
from api.routes.nonces import LASTS_MS, MAX_USED_BY_JOININGS, NonceVerdict
from api.routes.rate_limits import RATES
from api.use_cases.invite_device import invite_device
from api.use_cases.revoke_device import revoke_device
from sync.request_signing import write_content_digest
from tests.unit.api.signing_client import sign_request
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import Writer, assert_problem, squeezed, texts

PULL = "/api/exchange/pull?stream=care&after=0"
PUSH = "/api/exchange/push"
NONCE = "/problems/nonce"


@pytest.fixture
def bare(unit, a):
    """Return a client that signs nothing by itself, with tablet-a joined."""
    unit.client.auth = None
    return unit.client


def _nonce(client):
    answer = client.post("/api/nonces", json={"count": 1})
    assert answer.status_code == 200, answer.text
    return answer.json()["nonces"][0]


def _headers(unit, token, method, address, content=b"", nonce=None, signer=None, **changed):
    signer = signer or unit.signers["tablet-a"]
    nonce = _nonce(unit.client) if nonce is None else nonce
    return {**token, **sign_request(signer, method, address, content, nonce), **changed}


def _pull(unit, token, **changed):
    return unit.client.get(PULL, headers=_headers(unit, token, "GET", PULL, **changed))


def _push_content(unit):
    operation = Writer("tablet-a").write()
    signature = unit.signers["tablet-a"].sign_head(operation)
    return {"device": "tablet-a", "operations": texts(operation), "signature": signature}


def _assert_refused(answer, *parts, kind="about:blank"):
    assert answer.status_code == 401, answer.text
    assert answer.json()["type"] == kind
    for part in parts:
        assert part in answer.json()["detail"]


def test_a_signed_request_is_answered_and_brings_the_next_nonce(unit, a, bare):
    """[RQ1] [RQ4]."""
    answer = _pull(unit, a)

    assert answer.status_code == 200
    again = _pull(unit, a, nonce=answer.headers["crura-nonce"])
    assert again.status_code == 200


def test_a_token_alone_opens_nothing(unit, a, bare):
    """[RQ1] The planted bug it has caught: a request without any signature let through."""
    for ask in (
        lambda: bare.get(PULL, headers=a),
        lambda: bare.get("/api/conflicts", headers=a),
        lambda: bare.get("/api/devices/own", headers=a),
        lambda: bare.post(PUSH, headers=a, json=_push_content(unit)),
        lambda: bare.get(f"/api/pictures/{'0' * 64}?record=still/s-1", headers=a),
        # Last: let through, it would never end.
        lambda: bare.get("/api/exchange/events", headers=a),
    ):
        answer = ask()
        _assert_refused(answer, "not signed by the key")
        assert answer.headers["www-authenticate"] == "Bearer"
    assert unit.written() == (0, 0, 0)


def test_the_same_request_again_is_refused(unit, a, bare):
    """[RQ3] replay. The planted bug it has caught: used nonces that were not remembered."""
    content = squeezed(_push_content(unit))
    json_type = {"content-type": "application/json", "content-encoding": "gzip"}
    headers = _headers(unit, a, "POST", PUSH, content) | json_type

    assert bare.post(PUSH, content=content, headers=headers).status_code == 200
    assert unit.written()[0] == 1
    for _ in range(2):
        again = bare.post(PUSH, content=content, headers=headers)
        _assert_refused(again, "a second time", kind=NONCE)
        assert again.headers["crura-nonce"]
    assert unit.written()[0] == 1


def test_a_nonce_is_good_for_ten_minutes(unit, a, bare):
    """[RQ3] The planted bug it has caught: the boundary one millisecond too late."""
    young, old = _nonce(bare), _nonce(bare)

    unit.environment.moved["ms"] += LASTS_MS - 1
    assert _pull(unit, a, nonce=young).status_code == 200
    unit.environment.moved["ms"] += 1
    _assert_refused(_pull(unit, a, nonce=old), "too late", kind=NONCE)
    _assert_refused(_pull(unit, a, nonce=young), kind=NONCE)


@pytest.mark.parametrize("nonce", ["none", "x" * 128, "A" * 43, "AAAA"])
def test_a_nonce_that_the_unit_never_drew_is_refused(unit, a, bare, nonce):
    """[RQ3] The planted bug it has caught: the seal of a nonce not compared."""
    _assert_refused(_pull(unit, a, nonce=nonce), kind=NONCE)


def test_a_nonce_with_its_last_letter_changed_is_another_and_none(unit, a, bare):
    """[RQ3] The planted bug it has caught: bits that base64 leaves over, by which one nonce had
    several texts and was good several times.
    """
    nonce = _nonce(bare)
    assert _pull(unit, a, nonce=nonce).status_code == 200
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    for letter in letters.replace(nonce[-1], ""):
        _assert_refused(_pull(unit, a, nonce=nonce[:-1] + letter), kind=NONCE)


def test_a_nonce_of_another_device_is_good_once_all_the_same(unit, a, b, bare):
    """[RQ3]."""
    nonce = _nonce(bare)

    assert _pull(unit, a, nonce=nonce).status_code == 200
    other = _pull(unit, b, nonce=nonce, signer=unit.signers["tablet-b"])
    _assert_refused(other, kind=NONCE)


def test_a_nonce_is_used_up_by_a_valid_signature_alone(unit, a, bare):
    """[RQ3] The planted bug it has caught: the nonce taken before the signature was judged, so that
    whoever saw one could use it up.
    """
    nonce = _nonce(bare)

    _assert_refused(_pull(unit, a, nonce=nonce, signer=SigningDevice("tablet-a", 2)))
    assert _pull(unit, a, nonce=nonce).status_code == 200


def _signed_for(address, method="GET"):
    return lambda unit, a: unit.client.get(PULL, headers=_headers(unit, a, method, address))


@pytest.mark.parametrize(
    "ask",
    [
        _signed_for("/api/exchange/pull?stream=booking&after=0"),
        _signed_for("/api/exchange/pull?stream=care&after=1"),
        _signed_for("/api/exchange/pull?after=0&stream=care"),
        _signed_for("/api/exchange/pull"),
        _signed_for("/api/exchange/events?stream=care&after=0"),
        _signed_for(PULL, method="POST"),
        _signed_for(PULL, method="HEAD"),
        lambda unit, a: _pull(unit, a, content=b"x"),
        lambda unit, a: _pull(unit, a, signer=SigningDevice("tablet-a", 2)),
        lambda unit, a: _pull(unit, a, signer=SigningDevice("tablet-b")),
        lambda unit, a: _pull(unit, a, signature="crura=:AAAA:"),
        lambda unit, a: _pull(unit, a, signature=""),
        lambda unit, a: _pull(unit, a, **{"signature-input": ""}),
        lambda unit, a: _pull(unit, a, **{"content-digest": ""}),
    ],
    ids=[
        "another stream",
        "another place in the query",
        "another order of the query",
        "no query",
        "another path",
        "another method",
        "HEAD for GET",
        "a body where none came",
        "a key of its own making",
        "the key of another name",
        "four letters for a signature",
        "no signature",
        "no parameters",
        "no digest",
    ],
)
def test_a_signature_over_anything_else_opens_nothing(unit, a, bare, ask):
    """[RQ1] [RQ2] The planted bugs it has caught: the query left out of the signed text; the
    method left out of it; the digest of a reading request not compared.
    """
    _assert_refused(ask(unit, a))


def test_the_key_of_another_device_opens_nothing_under_any_name(unit, a, b, bare):
    """[RQ1] The planted bug it has caught: the name that signs not held against the token."""
    other = unit.signers["tablet-b"]
    _assert_refused(_pull(unit, a, signer=other))
    stolen = SigningDevice("tablet-a")
    stolen.device = "tablet-b"
    _assert_refused(_pull(unit, a, signer=stolen))
    _assert_refused(_pull(unit, b, signer=stolen))


@pytest.mark.parametrize("name", ["signature", "signature-input", "content-digest"])
def test_a_header_that_stands_there_twice_opens_nothing(unit, a, bare, name):
    """[RQ1] The planted bug it has caught: the first of two read and the second passed on."""

    headers = list(_headers(unit, a, "GET", PULL).items())
    twice = [*headers, next(one for one in headers if one[0] == name)]

    # The client of the other tests sends each header once, whatever it is given.
    async def ask():
        carrier = httpx.ASGITransport(unit.client.app)
        async with httpx.AsyncClient(transport=carrier, base_url="http://unit.test") as client:
            return await client.get(PULL, headers=twice)

    _assert_refused(asyncio.run(ask()), "not signed by the key")
    assert bare.get(PULL, headers=dict(headers)).status_code == 200


@pytest.mark.parametrize(
    "change",
    [
        lambda content: content + b" ",
        lambda content: content.replace(b"tablet-a", b"tablet-b", 1),
        lambda _: b"",
        lambda content: content[:-1],
    ],
    ids=["longer", "other", "none", "cut off"],
)
def test_a_body_that_was_changed_on_the_way_is_refused(unit, a, bare, change):
    """[RQ2] The planted bug it has caught: the digest signed, and never held against the body."""
    content = msgspec.json.encode(_push_content(unit))
    headers = _headers(unit, a, "POST", PUSH, content) | {"content-type": "application/json"}

    answer = bare.post(PUSH, content=change(content), headers=headers)

    assert answer.status_code == 401, answer.text
    assert unit.written() == (0, 0, 0)
    assert bare.post(PUSH, content=content, headers=headers).status_code == 401
    assert unit.written() == (0, 0, 0)


def test_the_digest_is_over_the_bytes_as_sent_and_not_as_unpacked(unit, a, bare):
    """[RQ2] RFC 9530, section 2."""
    plain = msgspec.json.encode(_push_content(unit))
    packed = squeezed(_push_content(unit))
    kind = {"content-type": "application/json", "content-encoding": "gzip"}
    wrong = write_content_digest(hashlib.sha256(plain).digest())

    refused = bare.post(
        PUSH,
        content=packed,
        headers=_headers(unit, a, "POST", PUSH, packed) | kind | {"content-digest": wrong},
    )
    unpacked = bare.post(
        PUSH, content=packed, headers=_headers(unit, a, "POST", PUSH, plain) | kind
    )

    _assert_refused(refused)
    _assert_refused(unpacked, "not what the device sent")
    assert unit.written() == (0, 0, 0)


def test_a_digest_in_another_algorithm_or_a_second_one_is_refused(unit, a, bare):
    """[RQ2]."""
    digest = write_content_digest(hashlib.sha256(b"").digest())
    for other in (digest.replace("256", "512"), f"{digest}, {digest}", digest.upper()):
        signed = sign_request(unit.signers["tablet-a"], "GET", PULL, b"", _nonce(bare))
        answer = bare.get(PULL, headers={**a, **signed, "content-digest": other})
        _assert_refused(answer)


def test_a_device_that_was_revoked_is_told_so_and_reads_nothing(unit, a, bare):
    """[EX12] [RQ8]."""
    revoke_device(unit.store, "tablet-a", now_ms=1)

    answer = _pull(unit, a)

    assert answer.status_code == 403
    assert answer.json()["type"] == "/problems/device-revoked"
    assert "was revoked" in answer.json()["detail"]
    content = msgspec.json.encode(_push_content(unit))
    kind = {"content-type": "application/json"}
    pushed = bare.post(
        PUSH, content=content, headers=_headers(unit, a, "POST", PUSH, content) | kind
    )
    assert pushed.status_code == 200
    assert len(pushed.json()["quarantined"]) == 1


def test_a_revoked_device_hands_over_nothing_unsigned(unit, a, bare):
    """[EX12] [RQ1]."""
    with unit.store.transaction():
        unit.store.devices.revoke("tablet-a", revoked_ms=1)

    _assert_refused(bare.post(PUSH, headers=a, json=_push_content(unit)))
    assert unit.written() == (0, 0, 0)


def test_a_clone_without_the_key_opens_nothing(unit, a, bare):
    """[RQ1] All that lies in the files of a browser but the key, which nobody can read there."""
    _assert_refused(_pull(unit, a, signer=SigningDevice("tablet-a", 2)))


def test_a_clone_with_the_key_is_found_out_by_the_log(unit, a):
    """[RQ1] [LG5] Two that can sign as one are a fork as soon as both have written."""
    first, second = Writer("tablet-a"), Writer("tablet-a")
    unit.push(a, "tablet-a", texts(first.write(set={"stop_um": 1})))
    answer = unit.push(a, "tablet-a", texts(second.write(set={"stop_um": 2})))

    assert answer.json()["quarantined"]
    with unit.store.transaction():
        assert [fork.device for fork in unit.store.marks.forks()] == ["tablet-a"]


def test_a_device_whose_clock_is_off_by_a_year_is_answered(unit, a):
    """[RQ3] [HC5] No time of the device is in the request, and none is asked for."""
    for years in (-1, 1):
        wall_ms = unit.environment.now_ms() + years * 365 * 86_400_000
        assert unit.handshake(a, "tablet-a", wall_ms=wall_ms).status_code == 200


def test_a_clock_of_the_server_that_is_set_anew_leaves_nonces_as_they_are(unit, a, bare):
    """[RQ3] The planted bug it has caught: nonces that lasted by the wall clock."""
    for moved_ms in (2 * LASTS_MS, -2 * LASTS_MS):
        nonce = _nonce(bare)
        unit.environment.moved["wall_ms"] = moved_ms
        assert _pull(unit, a, nonce=nonce).status_code == 200


def test_a_device_from_before_there_were_keys_is_asked_to_join_again(unit):
    """[RQ1] [SG4]."""
    with unit.store.transaction():
        unit.store.devices.keep("tablet-old", "Old", "bedside", "old-token", joined_ms=1)
    headers = {"authorization": "Bearer old-token"}

    answer = unit.client.get(PULL, headers=headers)

    _assert_refused(answer, "no key to sign with", "join it again")


def test_a_server_that_started_anew_asks_for_a_new_nonce_and_the_device_goes_on(unit, a):
    """[RQ4]."""
    assert unit.pull(a, "care").status_code == 200
    object.__setattr__(
        unit.client.app.state.surroundings, "nonces", type(_nonces(unit))(unit.environment)
    )
    before = len(unit.auth.nonces)

    assert unit.pull(a, "care").status_code == 200
    assert len(unit.auth.nonces) == before


def _nonces(unit):
    return unit.client.app.state.surroundings.nonces


@pytest.mark.parametrize(("count", "status"), [(0, 422), (1, 200), (16, 200), (17, 422)])
def test_as_many_nonces_as_a_device_may_want_at_once(unit, count, status):
    """[RQ4]."""
    answer = unit.client.post("/api/nonces", json={"count": count})

    assert answer.status_code == status
    if status == 200:
        assert len(set(answer.json()["nonces"])) == count


def test_public_addresses_ask_for_no_signature(unit):
    assert unit.client.get("/").status_code == 200
    assert unit.client.get("/api/health").status_code == 200


def test_a_joining_is_signed_by_the_key_that_it_brings(unit):
    """[RQ5] The planted bug it has caught: the signature of a joining not asked for."""
    code = unit.environment.new_code()
    invite_device(unit.store, "bedside", code=code, now_ms=unit.environment.now_ms())
    key, other = SigningDevice("tablet-a"), SigningDevice("tablet-a", 2)
    content = {
        "code": code,
        "device": "tablet-a",
        "name": "A",
        "key": key.key_text,
        "epoch": "ep01",
    }

    unsigned = unit.client.post("/api/devices", json=content)
    unit.auth.joining = other
    by_other = unit.client.post("/api/devices", json=content)
    unit.auth.joining = key
    keyless = unit.client.post("/api/devices", json={**content, "key": ""})
    signed = unit.client.post("/api/devices", json=content)
    unit.auth.joining = None

    _assert_refused(unsigned)
    _assert_refused(by_other)
    assert_problem(keyless, 403, "gives no key")
    assert signed.status_code == 201, "nothing of the refused ones used up the invitation"


def _claim_to_join(unit, number, device="tablet-a"):
    """Sign a joining by a key of one's own under the name of another, and send another body."""
    key = SigningDevice(device, number)
    content = {"code": "NONE", "device": device, "name": "A", "key": key.key_text, "epoch": "ep01"}
    signed = sign_request(key, "POST", "/api/devices", b"something else", _nonces(unit).draw())
    return unit.client.post("/api/devices", json=content, headers=signed)


def test_whoever_claims_a_name_at_joining_takes_nothing_from_the_device_of_that_name(
    unit, a, bare, monkeypatch
):
    """[RQ5] [SEC-06] The planted bug it has caught: nonces of joinings counted against the name."""
    monkeypatch.setattr(nonces, "MAX_USED_BY_DEVICE", 2)
    for number in range(2, 6):
        _assert_refused(_claim_to_join(unit, number), "not what the device sent")

    assert _pull(unit, a).status_code == 200


def test_joinings_of_one_address_are_limited_before_anything_of_them_is_judged(unit, a, bare):
    """[SEC-06] The planted bug it has caught: refusals of the signature that counted nowhere."""
    unit.environment.moved["ms"] += 60_000
    for _ in range(RATES["join-asked"].asks):
        assert _claim_to_join(unit, 2).status_code == 401

    assert_problem(_claim_to_join(unit, 2), 429, "Wait")
    assert _pull(unit, a).status_code == 200


def test_joinings_of_all_addresses_together_take_bounded_memory(unit, a, bare):
    """[RQ3] [SEC-06] The planted bug it has caught: a bucket for each name that was claimed."""
    unit.environment.moved["ms"] += LASTS_MS
    held = _nonces(unit)
    for _ in range(MAX_USED_BY_JOININGS):
        assert held.take(held.draw(), None) is NonceVerdict.GOOD
    assert held.take(held.draw(), None) is NonceVerdict.TOO_MANY

    assert_problem(_claim_to_join(unit, 2, "tablet-x"), 429, "asked too often")
    assert _pull(unit, a).status_code == 200
    unit.environment.moved["ms"] += LASTS_MS
    assert _claim_to_join(unit, 2, "tablet-x").status_code == 401
    assert len(held._used) == 1


def test_what_is_remembered_of_used_nonces_goes_when_they_are_over(unit):
    """[RQ3] A nonce used late is remembered until it is over, one drawn after it as well."""
    held = _nonces(unit)
    early = held.draw()
    unit.environment.moved["ms"] += LASTS_MS - 1
    assert held.take(held.draw(), "tablet-b") is NonceVerdict.GOOD
    assert held.take(early, "tablet-a") is NonceVerdict.GOOD
    assert held.take(early, "tablet-b") is NonceVerdict.USED
    unit.environment.moved["ms"] += LASTS_MS - 1
    last = held.draw()
    assert held.take(last, "tablet-a") is NonceVerdict.GOOD
    assert len(held._used) == 3
    unit.environment.moved["ms"] += 1

    assert held.take(last, "tablet-a") is NonceVerdict.USED
    assert list(held._used) == [last]
    assert held._counts == {"tablet-a": 1}


def test_a_device_that_used_too_many_nonces_waits_alone(unit, monkeypatch):
    """[SEC-06]."""
    monkeypatch.setattr(nonces, "MAX_USED_BY_DEVICE", 2)
    held = _nonces(unit)
    said = [held.take(held.draw(), "tablet-a") for _ in range(3)]

    assert said == [NonceVerdict.GOOD, NonceVerdict.GOOD, NonceVerdict.TOO_MANY]
    assert held.take(held.draw(), "tablet-b") is NonceVerdict.GOOD


def test_the_key_of_a_device_is_that_of_its_newest_joining(unit, a):
    """[RQ1] [SG5]."""
    new = SigningDevice("tablet-a", 2)
    after = unit.join("tablet-a", key=new, epoch="ep02", **a)
    unit.client.auth = None

    assert _pull(unit, after, signer=new).status_code == 200
    _assert_refused(_pull(unit, after, signer=SigningDevice("tablet-a")))
    _assert_refused(_pull(unit, a, signer=new), "not known here")
