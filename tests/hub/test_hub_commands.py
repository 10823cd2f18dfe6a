"""`crura hub` at a unit against a hub that is served as its users start it, over the loopback."""

import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from api.command_line import main
from tests.browser.unit_server import free_port

CRURA = str(Path(sys.executable).with_name("crura"))


class Served:
    """A server of its own process over a folder."""

    def __init__(self, folder, *options):
        self.folder, self.port = folder, free_port()
        arguments = [CRURA, "serve", "--data", str(folder), "--port", str(self.port), *options]
        self._process = subprocess.Popen(
            arguments, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        for _ in range(200):
            try:
                httpx.get(f"http://127.0.0.1:{self.port}/api/health")
            except httpx.HTTPError:
                assert self._process.poll() is None, self._process.stderr.read()
                time.sleep(0.1)
            else:
                return
        raise AssertionError("the server did not start")

    def stop(self):
        self._process.terminate()
        self._process.wait(timeout=30)
        self._process.stderr.close()


def crura(folder, *arguments, code=0):
    """Run one command on a folder and return what it printed."""
    done = CliRunner().invoke(main, [*arguments, "--data", str(folder)])
    assert done.exit_code == code, done.output
    return done.stdout if code == 0 else done.stderr


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    served = Served(tmp_path_factory.mktemp("network") / "hub", "--hub")
    yield served
    served.stop()


def invite(hub):
    printed = crura(hub.folder, "device", "invite", "--role", "unit")
    return next(line for line in printed.splitlines() if "#join=" in line)


def test_a_unit_joins_is_let_in_and_goes_on_by_itself(hub, tmp_path):
    """Over real sockets and processes: join, digits at both ends, a served unit's own round."""
    unit = tmp_path / "unit"
    assert "joined no hub" in crura(unit, "hub", "status")

    joined = crura(unit, "hub", "join", invite(hub))

    device = next(word for word in joined.split() if word.startswith("unit-")).rstrip(".")
    digits = joined.split("Its digits are ")[1][:7]
    listed = crura(hub.folder, "device", "list")
    assert f"{device}  unit  {digits}  waits to be confirmed" in listed
    assert "read the digits" in crura(unit, "hub", "publish")
    assert digits in crura(unit, "hub", "status")
    crura(hub.folder, "device", "confirm", device, digits)

    served = Served(unit)
    try:
        for _ in range(100):
            told = crura(unit, "hub", "status")
            if "Last contact: 2" in told:
                break
            time.sleep(0.2)
        assert "Last contact: 2" in told
        assert "Not sent yet: 0." in told
        assert "Done." in crura(unit, "hub", "publish")
        assert "Left." in crura(unit, "hub", "leave")
        assert "joined no hub" in crura(unit, "hub", "status")
    finally:
        served.stop()


def test_what_cannot_be_joined_is_said_in_one_sentence(hub, tmp_path):
    unit = tmp_path / "unit"
    for link, part in (
        ("http://hub.example/#join=AB", "without HTTPS"),
        ("anything", "no link"),
        (f"http://127.0.0.1:{free_port()}/#join=AB", "can be reached"),
        (f"http://127.0.0.1:{hub.port}/#join=AB", "not known, was used, or is over"),
    ):
        said = crura(unit, "hub", "join", link, code=2)
        assert part in said
        assert said.count("\n") == 1
    for command in ("publish", "leave"):
        assert "joined no hub" in crura(unit, "hub", command, code=2)


@pytest.mark.parametrize("role", ["bedside", "booking"])
def test_a_hub_invites_units_alone(hub, role):
    assert "Invite tablets and desks at their unit" in crura(
        hub.folder, "device", "invite", "--role", role, code=2
    )


def test_a_unit_invites_no_unit(tmp_path):
    said = crura(tmp_path / "unit", "device", "invite", "--role", "unit", code=2)
    assert "Invite it there" in said
