"""[FU-11] [SEC-22] [SEC-23] [HAZ-47] Who reads no care is told none of it, by any route.

Every care field of the catalogue holds a word, number or day that stands nowhere else; then every
route is asked, with the requests that bring a bedside tablet the most.
"""

import hashlib
from typing import Any

import pytest

from api.documents.letter_words import LETTER_KINDS
from api.documents.paper import PAPER_KINDS
from api.storage import snapshots
from api.use_cases.answer_snapshot import seal_segments
from tests.safety.care_canaries import (
    CASE,
    LOT,
    PATIENT,
    PICTURE,
    READ_NO_CARE,
    VISIT,
    canaries_in,
    plant_canaries,
    read_out,
)
from tests.safety.test_access_matrix import EXPECTED, ask_as, send_plainly
from tests.unit.api.standing_unit import StandingUnit
from tests.unit.api.test_letters import propose, settings_file

DIGEST = hashlib.sha256(PICTURE).hexdigest()


def _requests(asker: str, segments: list[str]) -> list[tuple[str, str, dict[str, Any]]]:
    """Return the requests that ask for care, for each route that could give some."""
    record = {"record": "picture/i-1"}
    streams = ("care", "booking", "unit")
    asked = [
        ("GET", "/api/exchange/pull", {"params": {"stream": stream, **more}})
        for stream in streams
        for more in ({}, {"record": CASE}, {"record": PATIENT}, {"rows": "true"}, {"own": "true"})
    ]
    asked += [
        ("GET", "/api/exchange/snapshot", {"params": {"stream": stream}}) for stream in streams
    ]
    asked += [("GET", f"/api/exchange/snapshot/{digest}", {}) for digest in segments]
    asked += [
        ("GET", f"/api/documents/{kind}/c-1", {"params": {"language": "en"}})
        for kind in PAPER_KINDS
    ]
    asked += [
        ("POST", "/api/papers", {"json": {"document": k, "case": "c-1"}}) for k in PAPER_KINDS
    ]
    asked += [
        ("POST", "/api/letters", {"json": {"kind": kind, "visits": [VISIT]}})
        for kind in LETTER_KINDS
    ]
    search = {"search": {"lots": [LOT]}, "by": "staff/s-1", "because": "asked"}
    days = {"from_on": "2026-03-01", "until_on": "2026-04-30"}
    return [
        *asked,
        ("GET", "/api/fhir/case/c-1", {}),
        ("GET", "/api/pictures/" + DIGEST, {"params": record}),
        ("GET", f"/api/pictures/{DIGEST}/standing", {"params": record}),
        ("GET", "/api/reminders", {"params": days}),
        ("GET", "/api/follow-up-measures", {"params": days}),
        ("GET", "/api/follow-up-check", {"params": {"now": "true"}}),
        ("POST", "/api/implants/find", {"json": search}),
        (
            "POST",
            "/api/bookings/propose",
            {"json": {"today_on": "2026-03-16", "until_on": "2026-04-30", "may_move": True}},
        ),
        (
            "POST",
            "/api/exchange/resupply",
            {"json": {"device": f"{asker}-1", "logs": [["tablet-story", "ep01"]]}},
        ),
        ("PUT", "/api/pictures/" + DIGEST, {"params": record, **_bytes()}),
        ("GET", "/api/pictures/" + DIGEST, {"params": record}),
    ]


def _bytes() -> dict[str, Any]:
    return {"content": PICTURE, "headers": {"content-type": "application/octet-stream"}}


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(snapshots, "SEGMENT_OPERATIONS", 4)
        with StandingUnit(tmp_path_factory.mktemp("canaries") / "unit").serving() as standing:
            propose(standing.store, settings_file())
            planted = plant_canaries(standing.store)
            assert planted > 150
            for stream in ("care", "booking"):
                assert seal_segments(standing.store, stream) > 0
            with standing.store.transaction():
                standing.store.operations.quarantine(
                    "tablet-a.ep01.1",
                    "{}",
                    '{"note":"zqcanary7777"}',
                    "It is aside.",
                    received_ms=1,
                )
            standing.client.app.state.surroundings.bell.close()
            yield standing


def _told(unit, asker: str) -> dict[str, list[str]]:
    """Ask everything as somebody and return what each route told of care."""
    ask = ask_as(unit, asker)
    with unit.store.transaction():
        segments = [one.digest for one in unit.store.snapshots.segments("care")]
    told = {}
    for method, path, sent in _requests(asker, segments):
        unit.environment.moved["ms"] += 2_000
        answer = ask(method, path, **sent)
        assert answer.status_code < 500, f"{path}: {answer.text}"
        told[f"{method} {path} {sent}"] = canaries_in(read_out(answer))
    for method, path in sorted(EXPECTED, key=lambda one: one[0] == "DELETE"):
        unit.environment.moved["ms"] += 2_000
        answer = send_plainly(ask, method, path)
        assert answer.status_code < 500, f"{path}: {answer.text}"
        told[f"{method} {path}"] = canaries_in(read_out(answer))
    return {asked: marks for asked, marks in told.items() if marks}


@pytest.mark.parametrize("asker", READ_NO_CARE)
def test_who_reads_no_care_is_told_none(unit, asker):
    """Planted and caught, each: a segment given by its
    name to any device; conflicts listed in every stream; a pull of care for a booking desk.
    """
    assert _told(unit, asker) == {}


def test_a_bedside_tablet_is_told(unit):
    """The same requests do bring care to who reads it: the test above is no empty one."""
    told = _told(unit, "bedside")
    routes = {asked.split(" ")[1].split("/c-1")[0] for asked in told}

    assert {
        "/api/exchange/pull",
        "/api/cases/export",
        "/api/conflicts",
        "/api/decisions",
        "/api/fhir/case",
        "/api/implants/find",
    } <= routes
    assert any(route.startswith("/api/exchange/snapshot/") for route in routes)
    assert any(route.startswith("/api/documents/") for route in routes)


def test_a_data_manager_is_told_for_a_reason_that_is_written_down(unit):
    """[SEC-18] [SEC-22] Nobody else of the desk is, and nobody without a reason."""
    asked = {"patient": PATIENT, "why": "The patient asks for a copy"}
    path = "/api/patient-exports"
    manager, admin = ask_as(unit, "data-manager"), ask_as(unit, "unit-admin")

    assert manager("POST", path, json={"patient": PATIENT}).status_code == 422
    assert admin("POST", path, json=asked).status_code == 403
    told = manager("POST", path, json=asked)

    assert told.status_code == 200
    assert canaries_in(read_out(told)) != []
    with unit.store.transaction():
        noted = [one.why for one in unit.store.access.lines() if one.object == "patient"]
    assert noted == [asked["why"]]
