"""What the server notes of requests, for how long, and that it is nothing of anybody."""

import datetime
import json
import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.app import create_app
from api.routes.request_log import ALLOWED, keep_allowed
from api.storage import log_files
from api.storage.log_files import KEPT_DAYS, LogFiles
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, Writer, texts

MACHINE = {"authorization": f"Bearer {LOCAL_KEY}"}
DAY = datetime.datetime.fromtimestamp(NOON_MS / 1_000, datetime.UTC).date().isoformat()


@pytest.fixture
def lines(unit, tmp_path):
    """Return a function that reads the log of the serving unit."""
    app = create_app(
        unit.store,
        unit.environment,
        unit.static_files,
        local_key=LOCAL_KEY,
        log_folder=tmp_path / "log",
    )
    unit.client.app.asgi_handler = app.asgi_handler

    def read_lines():
        text = (tmp_path / "log" / f"requests-{DAY}.jsonl").read_text(encoding="ascii")
        return [json.loads(line) for line in text.splitlines()]

    return read_lines


def test_a_line_says_what_was_asked_and_how_it_ended(unit, lines):
    """[SEC-20] The planted bug it has caught: the path itself in the place of the route."""
    unit.client.get("/api/exchange/pull?stream=care&after=Fennimore")
    unit.client.get("/nowhere/Fennimore.js")
    unit.client.request("FENNIMORE", "/")

    first, second, third = lines()

    assert first == {
        "event": "request",
        "level": "info",
        "method": "GET",
        "ms": 0,
        "route": "/api/exchange/pull",
        "status": first["status"],
        "time": f"{datetime.datetime.fromtimestamp(NOON_MS / 1_000, datetime.UTC):%FT%T}.000Z",
    }
    assert first["status"] in (401, 422)
    assert (second["route"], second["status"]) == ("/{path}", 404)
    assert (third["method"], third["status"]) == ("other", 405)


def test_a_device_is_named_once_it_has_proved_itself(unit, lines):
    """[SEC-20]"""
    device = unit.join("tablet-a")
    unit.pull(device, "care")
    unit.pull({"authorization": "Bearer tablet-b"}, "care")

    named = [line.get("device") for line in lines() if line.get("route") == "/api/exchange/pull"]
    assert named == ["tablet-a", None]


def test_an_error_is_found_in_the_log_by_the_id_that_its_answer_tells(unit, lines):
    """[SEC-20] The planted bug it has caught: an id drawn a second time for the log."""
    device = unit.join("tablet-a")

    def fail(*_, **__):
        raise ValueError("Ada Fennimore, born 1961")

    unit.store.operations.of_stream = fail
    answer = unit.pull(device, "care")

    line = lines()[-1]
    assert answer.status_code == 500
    assert line["error"] == answer.json()["error"]
    assert line["error"] in answer.json()["detail"]
    assert line["level"] == "error"
    assert line["place"].startswith("ValueError at test_request_log.py:")
    assert "Fennimore" not in json.dumps(line) + answer.text


_ANY = st.one_of(st.text(), st.integers(), st.none(), st.booleans(), st.lists(st.text()))


@given(st.dictionaries(st.one_of(st.sampled_from(sorted(ALLOWED)), st.text()), _ANY))
def test_nothing_but_what_is_allowed_stands_in_a_line(content):
    """[SEC-20] The planted bug it has caught: names looked at and contents not."""
    kept = keep_allowed(None, "info", dict(content))

    assert set(kept) <= set(ALLOWED)
    for name, value in kept.items():
        assert isinstance(value, (str, int))
        assert ALLOWED[name](value)
        assert len(str(value)) <= 130 or isinstance(value, int)
        assert " " not in str(value) or name == "place"


def test_only_the_owner_reads_the_log(tmp_path):
    files = LogFiles(tmp_path / "log")
    files.append("{}", "2026-03-16")

    assert stat.S_IMODE((tmp_path / "log").stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "log/requests-2026-03-16.jsonl").stat().st_mode) == 0o600


@pytest.mark.parametrize("days", [KEPT_DAYS - 1, KEPT_DAYS, KEPT_DAYS + 1])
def test_a_day_is_kept_for_ninety_days(tmp_path, days):
    """[SEC-20] The planted bug it has caught: files dropped at the start of the server alone."""
    first = datetime.date(2026, 1, 1)
    files = LogFiles(tmp_path / "log")
    files.append("{}", first.isoformat())
    (tmp_path / "log/note.txt").write_text("not ours")

    files.append("{}", (first + datetime.timedelta(days=days)).isoformat())

    is_kept = (tmp_path / "log/requests-2026-01-01.jsonl").exists()
    assert is_kept == (days < KEPT_DAYS)
    assert (tmp_path / "log/note.txt").exists()


def test_a_flood_fills_no_disk(tmp_path, monkeypatch):
    monkeypatch.setattr(log_files, "MAX_DAY_BYTES", 100)
    files = LogFiles(tmp_path / "log")

    for _ in range(100):
        files.append("{}", "2026-03-16")

    assert (tmp_path / "log/requests-2026-03-16.jsonl").stat().st_size <= 103
    assert files.lost > 60
    files.append("{}", "2026-03-17")
    assert (tmp_path / "log/requests-2026-03-17.jsonl").read_text() == "{}\n"


def test_a_log_that_cannot_be_written_stops_nothing(tmp_path):
    (tmp_path / "log").write_text("a file in the way")
    files = LogFiles(tmp_path / "log")

    files.append("{}", "2026-03-16")

    assert files.lost == 1


def test_metrics_are_for_this_machine_and_hold_no_ids(unit):
    """[SEC-20] The planted bug it has caught: paths in the place of routes."""
    device = unit.join("tablet-a")
    unit.push(device, "tablet-a", texts(Writer("tablet-a").write()))
    unit.client.get("/cases/case-fennimore/plan")
    unit.client.request("FENNIMORE", "/")

    refused = unit.client.get("/metrics", headers=device)
    given = unit.client.get("/metrics", headers=MACHINE)

    assert unit.client.get("/metrics").status_code in (401, 403)
    assert refused.status_code in (401, 403)
    assert given.status_code == 200
    assert given.headers["cache-control"] == "no-store"
    assert (
        'crura_requests_total{method="POST",route="/api/exchange/push",status="200"} 1.0'
        in given.text
    )
    assert 'route="/{path}"' in given.text
    for private in ("tablet-a", "fennimore", "FENNIMORE", "case-"):
        assert private not in given.text
