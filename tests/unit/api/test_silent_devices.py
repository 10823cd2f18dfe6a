"""Which devices the unit expects to hear of, and which of them are silent.

Planted bugs that this caught: the day counted from a minute later, a revoked device still
expected, a device that never exchanged taken for one that is here.
"""

import pytest

from api.use_cases.list_devices import HOUR_MS, judge_silence
from tests.unit.api.standing_unit import NOON_MS, assert_problem

MINUTE_MS = 60_000


def _rows(unit, headers):
    answer = unit.client.get("/api/devices", headers=headers)
    assert answer.status_code == 200, answer.text
    return {row["id"]: row for row in answer.json()["devices"]}


def _pass_hours(unit, hours):
    unit.environment.moved["ms"] += round(hours * HOUR_MS)


@pytest.mark.parametrize(
    ("silent_ms", "silence"),
    [
        (0, "none"),
        (24 * HOUR_MS - 1, "none"),
        (24 * HOUR_MS, "silent"),
        (24 * HOUR_MS + 1, "silent"),
        (72 * HOUR_MS - 1, "silent"),
        (72 * HOUR_MS, "escalated"),
        (72 * HOUR_MS + 1, "escalated"),
    ],
)
def test_a_silence_of_a_day_is_told_and_one_of_three_days_escalated(silent_ms, silence):
    """[HAZ-35] 24 h and 72 h: unit setting (project default)."""
    assert judge_silence(silent_ms) == silence


def test_a_tablet_in_a_drawer_appears_after_a_day_and_first_after_three(unit, a, b):
    """[HAZ-35] Two tablets exchange every hour for four days; one stops after the first hour."""
    appeared = escalated = None
    for hour in range(97):
        unit.handshake(a, "tablet-a", wall_ms=NOON_MS + unit.environment.moved["ms"])
        if hour == 0:
            unit.handshake(b, "tablet-b")
        rows = _rows(unit, a)
        assert rows["tablet-a"]["silence"] == "none"
        if rows["tablet-b"]["silence"] != "none" and appeared is None:
            appeared = hour
        if rows["tablet-b"]["silence"] == "escalated" and escalated is None:
            escalated = hour
        assert next(iter(rows)) == ("tablet-b" if hour > 0 else "tablet-a")
        _pass_hours(unit, 1)

    assert (appeared, escalated) == (24, 72)


def test_a_device_that_came_back_is_silent_no_more(unit, a, b):
    """[HAZ-35] One handshake is enough, and its clock's offset is told with it."""
    _pass_hours(unit, 30)
    assert _rows(unit, a)["tablet-b"]["silence"] == "silent"

    wall_ms = NOON_MS + unit.environment.moved["ms"] + 3 * MINUTE_MS
    unit.handshake(b, "tablet-b", wall_ms=wall_ms)

    back = _rows(unit, a)["tablet-b"]
    assert (back["silence"], back["silent_ms"]) == ("none", 0)
    assert back["clock_offset_ms"] == 3 * MINUTE_MS
    assert back["last_contact_ms"] == NOON_MS + unit.environment.moved["ms"]


def test_a_device_that_joined_and_never_exchanged_is_missed_too(unit, a):
    """[HAZ-35] It counts from its joining."""
    unit.join("tablet-z")
    _pass_hours(unit, 25)
    unit.handshake(a, "tablet-a")

    never = _rows(unit, a)["tablet-z"]

    assert (never["silence"], never["last_contact_ms"]) == ("silent", None)
    assert never["silent_ms"] == 25 * HOUR_MS


def test_a_revoked_device_is_expected_no_more(unit, a, b):
    """[HAZ-35] What was revoked owes the unit nothing."""
    from api.use_cases.revoke_device import revoke_device

    revoke_device(unit.store, "tablet-b", now_ms=unit.environment.now_ms())

    assert list(_rows(unit, a)) == ["tablet-a"]


def test_a_server_clock_that_was_put_back_makes_nobody_silent(unit, a):
    unit.handshake(a, "tablet-a")
    _pass_hours(unit, -48)

    assert _rows(unit, a)["tablet-a"]["silent_ms"] == 0


def test_booking_and_strangers_do_not_see_the_devices(unit, a):
    """[FU-11] Which tablets a unit has is no business of booking."""
    desk = unit.join("desk-c", "booking")

    assert_problem(unit.client.get("/api/devices", headers=desk), 403, "for bedside devices")
    assert unit.client.get("/api/devices").status_code == 401
