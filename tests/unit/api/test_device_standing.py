"""What a device tells of itself after its exchange: kept as one row, compared, told to the hub.

Planted bugs that this caught: what is not known kept as 0, a revoked device that still tells (both
walls taken down: the table's row and `provide_device`), no word on storage told to the hub as
"may-be-cleared", another build or protocol told as the same, what was told before a device joined
anew shown as if it were new, a device of unsent work behind one that is silent for longer, the
digest of another day compared.
"""

import json

import msgspec
import pytest

from api.clinical_rules.rule_release import Release
from api.storage.device_standings import DeviceStanding
from api.storage.static_files import StaticFiles
from api.use_cases import device_standing
from api.use_cases.device_standing import digest_in_force
from api.use_cases.list_devices import HOUR_MS, list_all_devices
from api.use_cases.revoke_device import revoke_device
from api.use_cases.standing_report import StandingDevice, make_standing_report
from api.use_cases.unit_rules import contents_of, open_rule_book, read_unit_rules
from sync.exchange import PROTOCOL_VERSION
from tests.unit.api.standing_unit import NOON_MS, REVOKED, assert_problem

MINUTE_MS = 60_000
DAY = "2026-03-16"
BUILD, OTHER_BUILD = "0123456789ab", "ba9876543210"
TOLD = {
    "build": BUILD,
    "catalogue": 8,
    "protocol": PROTOCOL_VERSION,
    "unsent": 3,
    "unsent_pictures": 1,
    "is_kept": False,
    "used_bytes": 20_123_456,
    "quota_bytes": 987_654_321,
}
MOST = 2**53 - 1


def _tell(unit, headers, **told):
    return unit.client.post("/api/device-standing", json=told, headers=headers)


def _rows(unit, served_build=""):
    now_ms = unit.environment.now_ms()
    listed = list_all_devices(unit.store, now_ms=now_ms, served_build=served_build)
    return {row.id: row for row in listed.devices}


def _kept(unit):
    with unit.store.transaction():
        return unit.store.device_standings.by_device()


def test_what_a_tablet_tells_is_in_the_list_with_the_time_of_the_server(unit, a):
    """[DM-01]"""
    unit.environment.moved["ms"] = 7 * MINUTE_MS
    answer = _tell(unit, a, **TOLD)
    told = {"told_ms": NOON_MS + 7 * MINUTE_MS, "name": "Tablet 1"}
    assert (answer.status_code, answer.json()) == (200, told)

    [row] = [
        one
        for one in unit.client.get("/api/devices", headers=a).json()["devices"]
        if one["id"] == "tablet-a"
    ]

    assert row["told"] == {
        **TOLD,
        "told_ms": NOON_MS + 7 * MINUTE_MS,
        "ago_ms": 0,
        "is_other_build": None,
        "is_other_protocol": False,
        "has_other_rules": None,
    }


def test_what_is_not_known_stays_so_and_who_told_nothing_has_no_row(unit, a, b):
    """[DM-01] Null is never 0."""
    assert _tell(unit, a).status_code == 200
    unit.environment.moved["ms"] = MINUTE_MS

    rows = _rows(unit, served_build=BUILD)

    told = msgspec.to_builtins(rows["tablet-a"].told)
    assert (told.pop("told_ms"), told.pop("ago_ms")) == (NOON_MS, MINUTE_MS)
    assert set(told.values()) == {None}
    assert rows["tablet-b"].told is None


def test_the_last_telling_stands_alone_and_the_same_again_changes_the_time_alone(unit, a):
    _tell(unit, a, **TOLD)
    unit.environment.moved["ms"] = MINUTE_MS
    _tell(unit, a, **TOLD)
    [again] = _kept(unit).values()
    _tell(unit, a, unsent=0)
    [last] = _kept(unit).values()

    assert (again.told_ms, again.standing.unsent) == (NOON_MS + MINUTE_MS, 3)
    assert last.standing == DeviceStanding(unsent=0)


@pytest.mark.parametrize(
    "told",
    [
        *(
            {name: value}
            for name in ("unsent", "unsent_pictures", "used_bytes", "quota_bytes")
            for value in (-1, MOST + 1, 1.5, "many", True)
        ),
        {"catalogue": -1},
        *({"protocol": value} for value in (-1, 0, MOST + 1, 1.5, "rows", True)),
        *({"build": value} for value in ("", BUILD[:-1], BUILD + "a", "0123456789AB", 12)),
        *({"rules": value} for value in ("", "0" * 15, "0" * 17, "g" * 16)),
        *({"rules_on": value} for value in ("", "2026-3-16", "2026-03-16T00", "yesterday")),
        {"is_kept": 2},
        {"is_kept": "yes"},
        {"name": "Tablet of Room 4"},
        {"case": "case/c-1"},
    ],
)
def test_no_other_content_is_taken_in(unit, a, told):
    """[RQ10] [DM-01] [SEC-24] Counts, sizes, hashes and a day; no name, no record, no sentence."""
    assert_problem(_tell(unit, a, **TOLD | told), 422, "cannot be read")
    assert _kept(unit) == {}


def test_the_bounds_themselves_are_taken_in(unit, a):
    for value in (0, 1, MOST):
        counts = dict.fromkeys(("unsent", "unsent_pictures", "used_bytes", "quota_bytes"), value)
        assert _tell(unit, a, **counts).status_code == 200
        assert msgspec.to_builtins(_kept(unit)["tablet-a"].standing) == {
            **msgspec.to_builtins(DeviceStanding()),
            **counts,
        }


def test_a_day_that_is_none_is_refused_with_what_to_do(unit, a):
    answer = _tell(unit, a, rules="0" * 16, rules_on="2026-02-30")

    assert_problem(answer, 422, "2026-02-30 is no date")
    assert _kept(unit) == {}


def test_who_is_revoked_waits_or_is_unknown_tells_nothing(unit, a):
    """[RQ10] [EX12] A revoked device hands over operations and nothing else."""
    waits = unit.join("tablet-w", is_trusted=False)
    revoke_device(unit.store, "tablet-a", now_ms=unit.environment.now_ms())

    assert_problem(_tell(unit, a, **TOLD), 403, "revoked", kind=REVOKED)
    assert _tell(unit, waits, **TOLD).status_code == 403
    assert unit.client.post("/api/device-standing", json=TOLD).status_code == 401
    assert _kept(unit) == {}


def test_a_booking_desk_tells_too(unit):
    desk = unit.join("desk-c", "booking")

    assert _tell(unit, desk, **TOLD).status_code == 200
    assert _rows(unit)["desk-c"].told.unsent == 3


def test_what_was_told_before_a_device_joined_anew_is_told_no_more(unit, a):
    _tell(unit, a, **TOLD)
    unit.environment.moved["ms"] = HOUR_MS
    again = unit.join("tablet-a", **a)
    assert _rows(unit)["tablet-a"].told is None

    _tell(unit, again, **TOLD)

    assert _rows(unit)["tablet-a"].told.told_ms == NOON_MS + HOUR_MS


@pytest.mark.parametrize(("served", "is_other"), [(BUILD, False), (OTHER_BUILD, True), ("", None)])
def test_another_build_than_the_server_hands_out_is_told(unit, a, served, is_other):
    _tell(unit, a, **TOLD)

    assert _rows(unit, served)["tablet-a"].told.is_other_build is is_other


@pytest.mark.parametrize(
    ("told", "is_other"),
    [
        ({"protocol": PROTOCOL_VERSION}, False),
        ({"protocol": PROTOCOL_VERSION + 1}, True),
        ({"protocol": MOST}, True),
        ({"protocol": None}, None),
        ({}, None),
    ],
)
def test_another_protocol_than_the_unit_speaks_is_told_and_none_is_never_the_same(
    unit, a, told, is_other
):
    """[DM-01] [EX24] Caught: no device told it, and the list of the unit had no place for it."""
    _tell(unit, a, unsent=0, **told)

    row = _rows(unit)["tablet-a"].told
    assert (row.protocol, row.is_other_protocol) == (told.get("protocol"), is_other)


@pytest.mark.parametrize(
    ("content", "build"),
    [
        (json.dumps({"build": BUILD}).encode(), BUILD),
        (b"{}", ""),
        (b"not JSON", ""),
        (None, ""),
    ],
)
def test_the_app_names_its_own_build(content, build):
    """[HAZ-27] The same file that a page asks for; the mark of all files is another one."""
    files = {} if content is None else {"build.json": content}

    assert StaticFiles(files).app_build == build


@pytest.mark.parametrize(
    ("silent_hours", "unsent", "first"),
    [(30, 3, "tablet-a"), (30, 0, "tablet-b"), (30, None, "tablet-b"), (23, 3, "tablet-b")],
)
def test_unsent_work_on_a_silent_tablet_stands_first(unit, a, b, silent_hours, unsent, first):
    """[HAZ-35] [DM-01] Before one that is silent for longer and held nothing; a day silent."""
    now_ms = NOON_MS + 100 * HOUR_MS
    _tell(unit, a, unsent=unsent)
    with unit.store.transaction():
        for device, hours in (("tablet-a", silent_hours), ("tablet-b", 50)):
            seen_ms = now_ms - hours * HOUR_MS
            unit.store.devices.note_seen(device, seen_ms=seen_ms, clock_offset_ms=0)
    unit.environment.moved["ms"] = 100 * HOUR_MS

    assert next(iter(_rows(unit))) == first


def test_an_unsent_picture_counts_as_unsent_work(unit, a):
    _tell(unit, a, unsent=0, unsent_pictures=1)

    assert _rows(unit)["tablet-a"].told.has_unsent


def test_the_digest_of_versions_in_force():
    """Twin of the same case in `pwa/src/state/rules-told.test.ts`: both write this very text."""
    versions = {"sizing/limits": 2, "gates/hard": 11, "follow_up/default": 1001}

    assert digest_in_force(versions) == digest_in_force(dict(reversed(versions.items())))
    assert digest_in_force(versions) == "9b4dbf6f6a4dc80b"


def test_other_rule_files_are_told_and_compared_on_the_day_of_the_tablet(unit, a, b, monkeypatch):
    """[DM-01] [HAZ-10] A tablet that told yesterday by the files of yesterday is right."""
    with unit.store.transaction():
        rules = read_unit_rules(unit.store)
    days = {on: _digest(rules, on) for on in (DAY, "2025-01-01")}
    assert _rows(unit)["tablet-a"].told is None

    _tell(unit, a, rules=days[DAY], rules_on=DAY)
    _tell(unit, b, rules="0" * 16, rules_on=DAY)
    rows = _rows(unit)
    assert rows["tablet-a"].told.has_other_rules is False
    assert rows["tablet-b"].told.has_other_rules is True

    # From the next day on another version counts.
    real = device_standing._digest_here
    monkeypatch.setattr(
        device_standing,
        "_digest_here",
        lambda rules, on: real(rules, on) if on == DAY else "1" * 16,
    )
    _tell(unit, b, rules=days[DAY], rules_on="2026-03-17")
    rows = _rows(unit)
    assert rows["tablet-a"].told.has_other_rules is False
    assert rows["tablet-b"].told.has_other_rules is True


def _digest(rules, on):
    return digest_in_force(
        device_standing.versions_in_force(contents_of(rules), open_rule_book(rules, on=on))
    )


def test_a_rule_file_that_the_unit_put_in_force_makes_a_tablet_without_it_older(unit, a):
    """[RL1] The unit goes on to another version: whoever still computes by the first differs."""
    with unit.store.transaction():
        before = read_unit_rules(unit.store)
    _tell(unit, a, rules=_digest(before, DAY), rules_on=DAY)
    path = next(path for path in contents_of(before) if path.startswith("sizing/limits.v2"))
    text = contents_of(before)[path]
    own = msgspec.structs.replace(
        before,
        own_files=(("sizing/limits.v1001.json", text.decode()),),
        releases=(*before.releases, _proposed("sizing/limits", 1001)),
    )

    assert _digest(own, DAY) != _digest(before, DAY)


def _proposed(name, version):
    return Release(name=name, version=version, sha256="0" * 64, retired_on=None, approvals=())


def test_the_hub_is_told_build_unsent_and_whether_the_browser_keeps_it(unit, a, b):
    """[DM-01] [SEC-24] By pseudonym; of who told nothing, that it did not. Nothing else goes."""
    unit.join("tablet-c")
    _tell(unit, unit.join("tablet-d"), unsent=0)
    _tell(unit, a, **TOLD)
    _tell(unit, b, is_kept=True)

    report = make_standing_report(
        unit.store, build="1.0+a", now_ms=unit.environment.now_ms(), today=DAY
    )

    assert {(one.build, one.protocol, one.unsent, one.storage) for one in report.devices} == {
        (BUILD, PROTOCOL_VERSION, 3, "may-be-cleared"),
        ("", None, None, "kept"),
        ("", None, 0, "unknown"),
        ("", None, None, "unknown"),
    }
    assert report.protocol == str(PROTOCOL_VERSION)
    sent = msgspec.to_builtins(report)["devices"]
    assert {tuple(one) for one in sent} == {tuple(StandingDevice.__struct_fields__)}
    assert set(StandingDevice.__struct_fields__) == {
        *("device", "role", "joined_ms", "last_contact_ms", "clock_offset_ms"),
        *("build", "protocol", "unsent", "storage"),
    }
    text = json.dumps(sent)
    for word in ("tablet-", "Name of", "20123456", "987654321"):
        assert word not in text
