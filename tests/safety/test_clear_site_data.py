"""[SEC-27] Who may bid a browser clear itself: a lost device that has cleared itself, once.

The header removes unsent entries with everything else, so on any other answer it would be a loss.
"""

import pytest
from litestar.testing import TestClient

from api.use_cases.revoke_device import revoke_device
from tests.safety.test_access_matrix import ASKERS, Ask, ask_as, send_plainly, served_routes
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, Writer, assert_problem, texts

HEADER = "clear-site-data"
CLEARED = ("POST", "/api/devices/own/cleared")
# Logging out clears what the browser kept of answers, and nothing that was recorded.
LOGGED_OUT = ("DELETE", "/api/session")


def _lose(unit: StandingUnit, device: str, *, is_lost: bool = True) -> Ask:
    """Let a device join, revoke it, and return what sends a request that it signs."""
    headers = unit.join(device, "bedside")
    revoke_device(unit.store, device, now_ms=NOON_MS, is_lost=is_lost)
    return lambda method, path, **sent: unit.client.request(
        method, path, **{**sent, "headers": {**headers, **sent.get("headers", {})}}
    )


def _bidden(server: StandingUnit, ask: Ask) -> dict[tuple[str, str], str]:
    """Return what each route bids the browser of somebody clear, logging out apart."""
    found = {}
    for method, path in sorted(served_routes(server.client.app), key=lambda one: one[0]):
        server.environment.moved["ms"] += 700
        answer = send_plainly(ask, method, path)
        if HEADER in answer.headers:
            found[method, path] = answer.headers[HEADER]
    found.pop(LOGGED_OUT, None)
    return found


@pytest.mark.parametrize("asker", ASKERS)
def test_no_answer_to_who_is_not_lost_bids_a_browser_clear_itself(server, asker):
    """[SEC-27] [RQ9] Every route of both servers, asked by everybody that there is.

    Planted and caught: the header beside every refusal of a revoked device.
    """
    assert _bidden(server, ask_as(server, asker)) == {}


def test_one_answer_alone_bids_a_lost_tablets_browser_clear_itself(unit):
    """[SEC-27] [RQ9] A hub has no such route: what joins it is a unit's server.

    Planted and caught: the header on the answer to a device that was revoked and not lost.
    """
    found = _bidden(unit, _lose(unit, "lost-1"))

    assert found == {CLEARED: '"cache", "cookies", "storage"'}


def test_what_a_lost_device_handed_over_stays_in_the_quarantine(unit):
    """[EX12] [RQ9] [SEC-15] Taken in before, set aside after: the answer drops none of it."""
    ask = _lose(unit, "lost-2")
    written = Writer("lost-2").write("puncture/p-9")
    handed = ask(
        "POST", "/api/exchange/push", json={"device": "lost-2", "operations": texts(written)}
    ).json()
    before = unit.written()

    answer = ask(*CLEARED, json={"unsent": 3})

    assert [one["op_id"] for one in handed["quarantined"]] == [written.op_id]
    assert (answer.status_code, answer.content) == (204, b"")
    assert unit.written() == before
    assert before[1] > 0


def test_nobody_else_can_have_a_lost_devices_browser_cleared(unit):
    """[SEC-27] [RQ1] A form of a foreign page cannot sign, nor can who copied the token."""
    ask = _lose(unit, "lost-4")
    bare = TestClient(unit.client.app)
    token = unit.join("copied-1", "bedside")
    revoke_device(unit.store, "copied-1", now_ms=NOON_MS, is_lost=True)

    foreign = ask(*CLEARED, json={}, headers={"sec-fetch-site": "cross-site"})
    unsigned = bare.request(*CLEARED, json={}, headers=token)
    unknown = bare.request(*CLEARED, json={})
    unreadable = ask(*CLEARED, json={"unsent": -1})

    answers = (foreign, unsigned, unknown, unreadable)
    assert [one.status_code for one in answers] == [403, 401, 401, 422]
    assert [one for one in answers if HEADER in one.headers] == []


def test_a_device_that_was_revoked_and_not_lost_keeps_what_it_holds(unit):
    """[RQ8] [RQ9] [EX12] What it has not sent yet is settled first, by a person."""
    answer = _lose(unit, "kept-1", is_lost=False)(*CLEARED, json={})

    assert_problem(answer, 403, "not given this device up as lost")
    assert HEADER not in answer.headers


def test_it_is_noted_with_how_much_never_came(unit):
    """[RQ9] Who asks about a lost tablet sees that it cleared itself."""
    _lose(unit, "lost-3")(*CLEARED, json={"unsent": 2})

    with unit.store.transaction():
        noted = [one for one in unit.store.access.lines() if one.verb == "clear"]
    assert [(one.who, one.outcome, one.why) for one in noted if one.who == "lost-3"] == [
        ("lost-3", "done", "entries not sent: 2")
    ]
