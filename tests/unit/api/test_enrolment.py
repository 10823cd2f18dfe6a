"""Invitations, joining, tokens, and what stands around every answer."""

import pytest

from api.app import create_app
from api.routes.outer_shell import LOOPBACK_HOSTS
from api.storage.p256 import write_base64
from api.use_cases.invite_device import TEN_MINUTES_MS, invite_device
from sync.request_signing import write_fingerprint
from tests.unit.api.clinic_story import Story
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import (
    LOCAL_KEY,
    NOON_MS,
    Writer,
    assert_problem,
    texts,
)


def _invite(unit, role="bedside", *, is_trusted=True):
    code = unit.environment.new_code()
    now_ms = unit.environment.now_ms()
    invite_device(unit.store, role, code=code, now_ms=now_ms, is_trusted=is_trusted)
    return code


def _join(unit, code, device="tablet-a", name="Tablet A", **more):
    return unit.ask_to_join(code, device, name, **more)


def test_a_code_lets_a_device_join_and_tells_it_its_streams(unit):
    answer = _join(unit, _invite(unit, "booking"), "desk-c")

    assert answer.status_code == 201
    joined = answer.json()
    assert len(joined.pop("token")) == 64
    assert joined == {
        "device": "desk-c",
        "role": "booking",
        "unit_name": "this unit",
        "streams": ["booking", "unit"],
        "server_key": write_base64(unit.store.server_key.public_key),
        "is_waiting": False,
        "fingerprint": write_fingerprint(unit.signers["desk-c"].key_id),
        "name": "Desk 1",
    }


def test_the_unit_is_named_by_its_site_record(unit):
    with unit.store.transaction():
        Story(unit.store, now_ms=NOON_MS).write("site/s-1", name="Tarn Hollow")

    assert _join(unit, _invite(unit)).json()["unit_name"] == "Tarn Hollow"


def test_a_code_is_typed_in_small_letters_and_with_spaces_around(unit):
    assert _join(unit, f" {_invite(unit).lower()} ").status_code == 201


def test_a_code_works_once(unit):
    code = _invite(unit)
    _join(unit, code)

    assert_problem(_join(unit, code, "tablet-b"), 403, "Ask for a new one")


def test_a_code_is_over_after_ten_minutes(unit):
    just, over = _invite(unit), _invite(unit)
    unit.environment.moved["ms"] += TEN_MINUTES_MS - 1

    assert _join(unit, just).status_code == 201
    unit.environment.moved["ms"] += 1
    assert_problem(_join(unit, over, "tablet-b"), 403, "is over")


def test_neither_codes_nor_tokens_are_stored(unit, tmp_path):
    code = _invite(unit)
    token = _join(unit, code).json()["token"]
    unit.store.copy_to(tmp_path / "copy")

    stored = (tmp_path / "copy").read_bytes()

    assert code.encode() not in stored
    assert token.encode() not in stored
    assert b"tablet-a" in stored


@pytest.mark.parametrize(
    ("device", "name", "part"),
    [
        ("Tablet A", "Tablet", "small letters"),
        ("", "Tablet", "small letters"),
        ("x" * 33, "Tablet", "small letters"),
        ("tablet-a", "  ", "name"),
        ("tablet-a", "x" * 61, "name"),
    ],
)
def test_an_id_or_name_that_does_not_fit_leaves_the_code_usable(unit, device, name, part):
    code = _invite(unit)

    key = SigningDevice("tablet-a")
    assert_problem(_join(unit, code, device, name, key=key), 403, part)
    assert _join(unit, code).status_code == 201


def test_the_id_of_another_device_is_refused_and_the_code_stays_usable(unit):
    unit.join("tablet-a")
    code = _invite(unit)

    assert_problem(_join(unit, code, "tablet-a"), 403, "Another device")
    assert_problem(
        _join(unit, code, "tablet-a", authorization="Bearer wrong"), 403, "Another device"
    )
    assert _join(unit, code, "tablet-b").status_code == 201


def test_the_id_under_which_a_log_is_held_is_refused(unit):
    pushed = texts(Writer("tablet-s").write())
    from api.storage.device_store import Device
    from api.use_cases.receive_push import receive_push

    receive_push(unit.store, Device("tablet-s", "s", "bedside", None), pushed, now_ms=1)

    assert_problem(_join(unit, _invite(unit), "tablet-s"), 403, "Another device")


def test_a_device_that_shows_its_token_joins_again_and_the_old_token_ends(unit):
    before = unit.join("tablet-a")
    answer = _join(unit, _invite(unit, "booking"), "tablet-a", **before)

    assert answer.status_code == 201
    assert answer.json()["role"] == "booking"
    assert_problem(unit.handshake(before, "tablet-a"), 401, "Join it again")
    after = {"authorization": f"Bearer {answer.json()['token']}"}
    assert unit.handshake(after, "tablet-a").status_code == 200


def test_three_wrong_codes_of_one_address_are_the_most_in_a_minute(unit):
    """[SEC-06] The planted bug it has caught: wrong codes that were never counted."""
    for number in range(3):
        assert_problem(_join(unit, f"WRONG-{number}"), 403)
    code = _invite(unit)

    answer = _join(unit, code, **{"x-forwarded-for": "192.0.2.7", "forwarded": "for=192.0.2.8"})

    assert_problem(answer, 429, "Wait 20 s")
    assert answer.headers["retry-after"] == "20"
    unit.environment.moved["ms"] += 20_000
    assert _join(unit, code).status_code == 201


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"authorization": "Bearer "},
        {"authorization": "Basic abc"},
        {"authorization": "Bearer x"},
    ],
)
def test_no_exchange_without_a_valid_token(unit, headers):
    pushed = texts(Writer("tablet-a").write())

    for answer in (
        unit.handshake(headers, "tablet-a"),
        unit.push(headers, "tablet-a", pushed),
        unit.pull(headers, "care"),
        unit.client.get("/api/exchange/events", headers=headers),
        unit.client.get("/api/conflicts", headers=headers),
        unit.client.get("/api/decisions", headers=headers),
        unit.client.get("/api/plan-checks", headers=headers),
    ):
        assert_problem(answer, 401, "Join it again")
        assert answer.headers["www-authenticate"] == "Bearer"
    assert unit.written() == (0, 0, 0)


def test_invitations_over_http_need_the_key_of_the_folder(unit):
    asked = {"role": "bedside", "lasts_ms": 60_000}
    device = unit.join("tablet-a")

    refused = unit.client.post("/api/invitations", json=asked, headers=device)
    made = unit.client.post(
        "/api/invitations", json=asked, headers={"authorization": f"Bearer {LOCAL_KEY}"}
    )

    assert_problem(refused, 403, "unit admin")
    assert made.status_code == 201
    assert _join(unit, made.json()["code"], "tablet-b").status_code == 201


def test_an_invitation_for_an_unknown_role_is_refused(unit):
    answer = unit.client.post(
        "/api/invitations",
        json={"role": "owner"},
        headers={"authorization": f"Bearer {LOCAL_KEY}"},
    )

    assert_problem(answer, 403, "bedside, booking")


def _every_kind_of_answer(unit):
    unit.store.views.conflicts = lambda _: 1 / 0
    device = unit.join("tablet-a")
    json_type = {"content-type": "application/json"}
    return {
        200: unit.client.get("/api/health"),
        201: _join(unit, _invite(unit), "tablet-b"),
        401: unit.client.get("/api/conflicts"),
        403: unit.pull(device, "registry"),
        404: unit.client.get("/api/nothing-here"),
        405: unit.client.delete("/api/health"),
        413: unit.client.post("/api/devices", content=b"x" * 300_000, headers=json_type),
        422: unit.client.post("/api/devices", content=b"{no", headers=json_type),
        500: unit.client.get("/api/conflicts", headers=device),
    }


def test_security_headers_stand_on_every_answer(unit):
    """[SEC-02]."""

    for status, answer in _every_kind_of_answer(unit).items():
        assert answer.status_code == status
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cross-origin-opener-policy"] == "same-origin"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "camera=(self)" in answer.headers["permissions-policy"]
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert "'unsafe-inline'" not in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store"


def test_every_refusal_is_problem_details_in_one_sentence(unit):
    for status, answer in _every_kind_of_answer(unit).items():
        if status >= 400:
            assert_problem(answer, status)


def test_an_unexpected_error_tells_nothing_of_the_inside(unit):
    """[SEC-20]."""

    answer = _every_kind_of_answer(unit)[500]

    assert "division" not in answer.text
    assert "Traceback" not in answer.text


def test_the_log_of_an_error_names_its_place_and_no_secret(unit, caplog):
    """[SEC-20]."""
    device = unit.join("tablet-a")

    def fail(*_, **__):
        raise ValueError("Ada Fennimore, born 1961")

    unit.store.operations.of_stream = fail

    assert_problem(unit.pull(device, "care"), 500)
    logged = [record.getMessage() for record in caplog.records if record.name == "crura"]
    assert len(logged) == 1
    assert "ValueError at test_enrolment.py:" in logged[0]
    assert "/api/exchange/pull" in logged[0]
    assert "Fennimore" not in caplog.text
    assert "Traceback" not in caplog.text


def test_a_foreign_host_name_is_refused_where_only_the_loopback_is_served(unit):
    app = create_app(
        unit.store,
        unit.environment,
        unit.static_files,
        local_key=LOCAL_KEY,
        hosts=LOOPBACK_HOSTS,
    )
    unit.client.app.asgi_handler = app.asgi_handler
    foreign = unit.client.get("/api/health", headers={"host": "a-foreign-page.example"})

    assert_problem(foreign, 421, "127.0.0.1")
    for host in ("127.0.0.1:8470", "localhost:9000", "[::1]:8470"):
        assert unit.client.get("/api/health", headers={"host": host}).status_code == 200


def test_the_schema_names_every_public_route_and_no_inner_one(unit):
    schema = unit.client.get("/schema")

    assert schema.status_code == 200
    paths = schema.json()["paths"]
    assert {
        "/api/devices",
        "/api/devices/recovery",
        "/api/devices/own",
        "/api/devices/own/cleared",
        "/api/nonces",
        "/api/unit-devices",
        "/api/invitations",
        "/api/confirmations",
        "/api/revocations",
        "/api/device-names",
        "/api/recovery-refusals",
        "/api/outcomes",
        "/api/session",
        "/api/sessions",
        "/api/session-ends",
        "/api/session-first",
        "/api/session-factor",
        "/api/session-password",
        "/api/unit/staff",
        "/api/unit/staff-changes",
        "/api/staff-codes",
        "/api/staff-codes/redeem",
        "/api/exchange/handshake",
        "/api/exchange/push",
        "/api/exchange/resupply",
        "/api/exchange/sealed",
        "/api/exchange/pull",
        "/api/exchange/events",
        "/api/exchange/snapshot",
        "/api/exchange/snapshot/{digest}",
        "/api/conflicts",
        "/api/decisions",
        "/api/plan-checks",
        "/api/follow-up-check",
        "/api/follow-up-measures",
        "/api/clinic-weeks",
        "/api/letters",
        "/api/reminders",
        "/api/fhir/visits",
        "/api/failsafe-list",
        "/api/failsafe-paper",
        "/api/failsafe-reviews",
        "/api/calendars",
        "/api/calendar-revocations",
        "/api/closed-days",
        "/api/implants/find",
        "/api/recalls/network",
        "/api/recalls/network-closings",
        "/api/links/network",
        "/api/stock",
        "/api/network/line",
        "/api/network/joinings",
        "/api/network/rounds",
        "/api/network/leavings",
        "/api/quality",
        "/api/rule-files/network",
        "/api/documents/{document}/{case}",
        "/api/papers",
        "/api/access-events",
        "/api/device-standing",
        "/api/retention",
        "/api/patient-exports",
        "/api/cases/export",
        "/api/fhir/case/{case}",
        "/api/bookings/propose",
        "/api/bookings/over",
        "/api/pictures/{digest}",
        "/api/pictures/{digest}/standing",
        "/api/health",
        "/api/calculate/{kind}",
    } == set(paths)


def test_health_tells_build_generation_and_catalogue(unit):
    health = unit.client.get("/api/health").json()

    assert health["generation"] == "generation-1"
    assert health["catalogue"] == unit.store.catalogue.version
    assert "+" in health["build"]
