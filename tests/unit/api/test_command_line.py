"""The command `crura` as people start it: one sentence and exit code 2 when it refuses."""

import json
import os
import re
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.running_server import FILE_NAME, find_running_server
from tests.unit.api.signing_client import join_over_http
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import Writer, texts

ROOT = Path(__file__).resolve().parents[3]
CRURA = Path(sys.executable).with_name("crura")
STORY = ROOT / "seed_scenarios/00_unit.json"


@dataclass
class Done:
    returncode: int
    stdout: str
    stderr: str


def _crura(*arguments, stdin="", folder=None):
    """Run the command in this process; the lock of a folder holds between open files too."""
    more = ["--data", str(folder)] if folder else []
    result = CliRunner().invoke(main, [*map(str, arguments), *more], input=stdin)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Done(result.exit_code, result.stdout, result.stderr)


def _assert_refused(done, *parts):
    assert done.returncode == 2, done.stdout
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    for part in parts:
        assert part in done.stderr


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def _serving(folder, *more, scheme="http", verify=True):
    port = _free_port()
    process = subprocess.Popen(
        [CRURA, "serve", "--data", folder, "--port", str(port), *map(str, more)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    address = f"{scheme}://127.0.0.1:{port}"
    try:
        for _ in range(200):
            assert process.poll() is None, process.stderr.read()
            try:
                httpx.get(f"{address}/api/health", verify=verify).raise_for_status()
                break
            except httpx.TransportError:
                time.sleep(0.05)
        yield process, address
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def _join(address, code, device="tablet-a"):
    return join_over_http(address, code, SigningDevice(device))


def test_help_says_that_it_is_no_certified_device():
    done = subprocess.run([CRURA, "--help"], capture_output=True, text=True, check=False)

    assert done.returncode == 0
    assert "not a certified medical device" in done.stdout


def test_an_invitation_made_before_serving_lets_a_device_join(tmp_path):
    trusted = "device", "invite", "--role", "bedside", "--trusted"
    printed = _crura(*trusted, folder=tmp_path).stdout
    code = re.search(r"#join=([A-Z0-9-]+)", printed)[1]

    with _serving(tmp_path) as (_, address):
        operation = Writer("tablet-a").write()
        content = {
            "device": "tablet-a",
            "operations": texts(operation),
            "signature": SigningDevice("tablet-a").sign_head(operation),
        }
        answer = _join(address, code).post("/api/exchange/push", json=content)

    assert answer.json()["tip"]["counter"] == 1
    assert "1 operations in 1 logs are sound" in _crura("verify", folder=tmp_path).stdout


def test_a_recall_is_written_listed_and_withdrawn_while_the_server_runs(tmp_path):
    """[HAZ-46] A notice waits for nobody who may stop the server, nor does a search by it.

    Caught: `crura recall add`, and later `crura find-lot`, said to stop it and try again.
    """
    added = _crura(
        "staff", "add", "--name", "Pell Dunmorrow", "--role", "data-manager", folder=tmp_path
    )
    who = "--by", re.search(r"staff/[a-z0-9]+", added.stdout)[0]
    notice = "recall", "add", "VK-4417", "--reason", "Seal may leak", "--issued-on", "2026-03-01"

    with _serving(tmp_path):
        written = _crura(*notice, *who, folder=tmp_path)
        record = re.search(r"recall_notice/[a-z0-9]+", written.stdout)[0]
        listed = _crura("recall", "list", *who, folder=tmp_path).stdout
        letters = tmp_path / "letters.csv"
        wanted = "--because", "a notice", "--letters", letters, *who
        searched = _crura("find-lot", "LOT VK-4417", *wanted, folder=tmp_path)
        unnamed = _crura("find-lot", "VK1", "--because", "why", "--by", "x", folder=tmp_path)
        told = json.loads(
            _crura("recall", "list", "--format", "json", *who, folder=tmp_path).stdout
        )
        stranger = _crura(*notice, "--by", "staff/nobody", folder=tmp_path)
        withdrawn = ("recall", "withdraw", record, "--because", "Another maker", *who)
        assert "is withdrawn" in _crura(*withdrawn, folder=tmp_path).stdout
        assert "Notices in force: 0" in _crura("recall", "list", *who, folder=tmp_path).stdout

    assert "Searched for lot VK-4417\n" in searched.stderr
    assert "Patients found: 0." in searched.stdout
    assert letters.read_text().startswith('"number","name","address"')
    _assert_refused(unnamed, "Say who searches")
    trail = _crura("audit", "search", "--format", "json", folder=tmp_path).stdout
    assert f"{who[1]}: a notice" in trail
    assert "Seal may leak" in listed
    assert "Notices in force: 1" in listed
    assert [one["notice"] for one in told] == [record]
    _assert_refused(stranger, "does not work here")
    assert "Notices in force: 0" in _crura("recall", "list", *who, folder=tmp_path).stdout


def test_while_it_serves_invitations_work_and_other_commands_say_what_to_do(tmp_path):
    with _serving(tmp_path) as (_, address):
        printed = _crura("device", "invite", "--role", "booking", folder=tmp_path)
        _join(address, re.search(r"#join=([A-Z0-9-]+)", printed.stdout)[1], "desk-a")
        mode = (tmp_path / FILE_NAME).stat().st_mode & 0o777

        for command in (
            ["verify"],
            ["rebuild-views"],
            ["load-scenario", STORY],
            ["restore", tmp_path / "copy"],
            ["serve", "--port", _free_port()],
        ):
            _assert_refused(_crura(*command, folder=tmp_path), "crura")
        assert _crura("backup", "--plain", tmp_path / "copy", folder=tmp_path).returncode == 0
        again = _crura("backup", "--plain", tmp_path / "copy", folder=tmp_path)
        _assert_refused(again, "Choose a new name")
        added = ["staff", "add", "--name", "Juno Marl", "--role", "assistant"]
        assert _crura(*added, folder=tmp_path).returncode == 0
        listed = _crura("staff", "list", folder=tmp_path).stdout
        _assert_refused(_crura(*added[:-1], "surgeon", folder=tmp_path), "no role", "assistant")

    assert "Juno Marl  assistant  no log-in" in listed
    assert f"{address}/#join=" in printed.stdout
    assert mode == 0o600
    assert (tmp_path / "copy").exists()


def test_a_note_left_by_a_dead_server_leads_nowhere(tmp_path):
    with _serving(tmp_path) as (process, _):
        process.kill()
        process.wait()
    assert find_running_server(tmp_path) is not None

    done = _crura("device", "invite", "--role", "bedside", folder=tmp_path)

    assert done.returncode == 0
    assert "#join=" in done.stdout


def test_it_stops_within_seconds_while_somebody_listens(tmp_path):
    trusted = "device", "invite", "--role", "bedside", "--trusted"
    code = _crura(*trusted, folder=tmp_path).stdout.split()[0]
    with _serving(tmp_path) as (process, address):
        client = _join(address, code)
        with client.stream("GET", "/api/exchange/events") as stream:
            parts = stream.iter_text()
            assert next(parts).startswith("data:")
            process.send_signal(signal.SIGTERM)
            rest = list(parts)
        process.wait(timeout=10)

    assert rest in ([], [""])
    assert process.returncode == 0
    assert find_running_server(tmp_path) is None


def test_a_taken_port_is_named_with_a_way_out(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]

        _assert_refused(_crura("serve", "--port", port, folder=tmp_path), str(port), "--port")
        _assert_refused(_crura("demo", "--port", port), str(port), "--port")
    assert not (tmp_path / "crura.sqlite3").exists()


def test_a_host_open_to_others_without_a_certificate_is_refused(tmp_path):
    done = _crura("serve", "--host", "0.0.0.0", folder=tmp_path)  # noqa: S104

    _assert_refused(done, "in clear", "--certificate")
    assert not (tmp_path / "crura.sqlite3").exists()


def test_a_certificate_without_its_key_or_that_is_none_is_refused(tmp_path):
    (tmp_path / "no.pem").write_text("no certificate")

    _assert_refused(
        _crura("serve", "--certificate", tmp_path / "no.pem", folder=tmp_path), "together"
    )
    _assert_refused(
        _crura(
            *("serve", "--certificate", tmp_path / "no.pem", "--private-key", tmp_path / "no.pem"),
            folder=tmp_path,
        ),
        "Check both files",
    )


def test_with_a_certificate_it_serves_https_and_invitations_still_work(tmp_path):
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    made = subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=unit.invalid"),
            *("-keyout", key, "-out", certificate),
        ],
        capture_output=True,
        check=False,
    )
    if made.returncode != 0:
        pytest.skip("openssl is not there to make a certificate")
    trust = ssl.create_default_context(cafile=str(certificate))
    trust.check_hostname = False

    more = ("--certificate", certificate, "--private-key", key)
    with _serving(tmp_path / "unit", *more, scheme="https", verify=trust) as (_, address):
        health = httpx.get(f"{address}/api/health", verify=trust)
        invited = _crura("device", "invite", "--role", "bedside", folder=tmp_path / "unit")
        numbers = _crura("metrics", folder=tmp_path / "unit")

    assert 'route="/api/health",status="200"' in numbers.stdout
    (log,) = (tmp_path / "unit/log").iterdir()
    assert '"route": "/api/health"' in log.read_text()
    _assert_refused(_crura("metrics", folder=tmp_path / "other"), "No server runs")
    assert "max-age" in health.headers["strict-transport-security"]
    assert f"{address}/#join=" in invited.stdout


def test_staff_scenario_rebuild_verify_backup_and_restore(tmp_path):
    unit = tmp_path / "unit"
    steps = [
        (["load-scenario", STORY, "--as-if-today", "2026-11-25"], "00_unit.json: The unit"),
        (["load-scenario", STORY, "--as-if-today", "2026-11-25"], "(0 operations)"),
        (["staff", "add", "--name", "Ada Test", "--role", "assistant"], "Ada Test is staff/"),
        (["rebuild-views"], "records were merged again"),
        (["verify"], "are sound"),
        (["backup", "--plain", tmp_path / "copy"], "The backup is"),
        (["restore", tmp_path / "copy"], "Before:"),
        (["verify"], "are sound"),
    ]
    for command, part in steps:
        done = _crura(*command, folder=unit)
        assert done.returncode == 0, done.stderr
        assert part in done.stdout
    again = _crura("backup", "--plain", tmp_path / "copy", folder=unit)
    _assert_refused(again, "Choose a new name")
    _assert_refused(_crura("restore", tmp_path / "gone", folder=unit), "no backup")
    _assert_refused(
        _crura("staff", "add", "--name", "Ada", "--role", "boss", folder=unit), "endoscopist"
    )


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["load-scenario", "gone.json"], "cannot be read"),
        (["load-scenario", ROOT / "README.md"], "cannot be read"),
        (["load-scenario", STORY, "--as-if-today", "some day"], "is no date"),
    ],
)
def test_a_story_that_cannot_be_loaded_is_refused(tmp_path, arguments, part):
    _assert_refused(_crura(*arguments, folder=tmp_path), part)


def test_an_altered_store_does_not_verify(tmp_path):
    _crura("load-scenario", STORY, folder=tmp_path)
    file = sqlite3.connect(tmp_path / "crura.sqlite3")
    with file:
        changed = file.execute("UPDATE log_entry SET stamp = stamp - 100000 WHERE seq = 2")
    file.close()
    assert changed.rowcount == 1

    done = _crura("verify", folder=tmp_path)

    assert done.returncode == 2
    assert "was changed" in done.stderr


@pytest.mark.parametrize("stdin", ["", "{no", "[]", '"text"', "[" * 100_000])
def test_calculate_refuses_what_is_no_object(stdin):
    done = _crura("calculate", "liver-scores", stdin=stdin)

    _assert_refused(done, "JSON")


def test_calculate_answers_in_json():
    """Child-Pugh 7 points, class B: derived from the published table (bilirubin 2 to 3 mg/dL 2,
    albumin 2.8 to 3.5 g/dL 2, INR below 1.7 1, no ascites 1, no encephalopathy 1;
    Pugh et al., Br J Surg 1973;60:646-9)."""
    given = {
        "bilirubin": {"value": 2, "unit": "mg/dL"},
        "albumin": {"value": 3, "unit": "g/dL"},
        "inr": 1.5,
        "ascites": "none",
        "encephalopathy": "none",
    }

    done = _crura("calculate", "liver-scores", stdin=json.dumps(given))

    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["child_pugh"] == {"points": 7, "class": "B"}
    assert answer["rule_files"]


@pytest.mark.parametrize(
    ("kind", "stdin", "part"),
    [
        ("liver-scores", '{"bili": 1}', "bili"),
        ("liver-scores", "{}", "Add what is missing"),
        ("liver-scores", '{"inr": NaN}', "JSON"),
        ("weather", "{}", "liver-scores, sizing"),
    ],
)
def test_calculate_refuses_in_one_sentence(kind, stdin, part):
    _assert_refused(_crura("calculate", kind, stdin=stdin), part)


def test_the_demo_prints_links_that_work_and_leaves_no_folder(tmp_path):
    port = _free_port()
    process = subprocess.Popen(
        [CRURA, "demo", "--port", str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "TMPDIR": str(tmp_path)},
    )
    try:
        printed = ""
        while "Not a certified medical device" not in printed:
            line = process.stdout.readline()
            assert line, process.stderr.read()
            printed += line
        (folder,) = tmp_path.glob("crura-demo-*")
        # For commands beside it, such as `crura staff password`.
        assert f"--data {folder}\n" in printed
        codes = re.findall(r"#join=([A-Z0-9-]+)", printed)
        address = f"http://127.0.0.1:{port}"
        tablet = _join(address, codes[0], "tablet-x")
        desk = _join(address, codes[1], "desk-x")
        staff = tablet.get("/api/exchange/pull", params={"stream": "unit"}).json()["operations"]
        refused = desk.get("/api/exchange/pull", params={"stream": "care"})
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=15)

    assert address in printed
    assert "What to try first" in printed
    assert any("Juno Marrowby" in json.dumps(row) for row in staff)
    assert refused.status_code == 403
    assert "Traceback" not in process.stderr.read()
    assert process.returncode == 0
    assert list(tmp_path.iterdir()) == []
