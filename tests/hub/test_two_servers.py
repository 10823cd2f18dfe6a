"""Two `crura serve --hub` on one database: a unit's requests go to either by turns."""

import shutil
import socket
import subprocess
import sys
import time

import httpx
import pytest

from api.storage.hub_store import open_hub_store
from api.storage.server_key import FILE_NAME as KEY_NAME
from api.use_cases.confirm_device import confirm_device
from api.use_cases.hub_line import join_hub
from api.use_cases.invite_device import invite_device
from api.use_cases.publish_to_hub import exchange_with_hub
from api.use_cases.verify_log import verify_log
from tests.hub.standing_network import NetworkUnit
from tests.hub.test_forwarding import single


class ByTurns(httpx.BaseTransport):
    """Hands each request to the next server, as what stands before a hub would."""

    def __init__(self, ports):
        self._ports = ports
        self._line = httpx.HTTPTransport()
        self.answered = []

    def handle_request(self, request):
        port = self._ports[len(self.answered) % len(self._ports)]
        request.url = request.url.copy_with(port=port)
        answer = self._line.handle_request(request)
        answer.read()
        self.answered.append(answer.status_code)
        return answer


def _free_port():
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        return bound.getsockname()[1]


def _serve(database, folder):
    port = _free_port()
    program = "from api.command_line import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", program, "serve", "--hub", "--database", database,
         "--data", str(folder), "--port", str(port)],
        stdout=subprocess.DEVNULL,
    )  # fmt: skip
    until = time.monotonic() + 60
    while True:
        assert process.poll() is None, "the server ended by itself"
        try:
            assert httpx.get(f"http://127.0.0.1:{port}/api/health").json()["role"] == "hub"
        except httpx.TransportError:
            assert time.monotonic() < until
            time.sleep(0.1)
        else:
            return process, port


@pytest.fixture
def ports(database, tmp_path):
    """The ports of two servers, each with a copy of the hub's key in a folder of its own."""
    processes, found = [], []
    for number in range(2):
        folder = tmp_path / f"hub-{number}"
        folder.mkdir()
        if number:
            shutil.copy(tmp_path / "hub-0" / KEY_NAME, folder)
        process, port = _serve(database, folder)
        processes.append(process)
        found.append(port)
    yield found
    for process in processes:
        process.terminate()
        process.wait(30)


def test_a_unit_joins_and_publishes_whichever_server_answers(database, ports, tmp_path):
    """[RQ3] [EX5] Nonces that one has drawn are good at the other, and a log goes on at either.

    The planted bug it has caught: nonces that were sealed by each process under a key of its own.
    """
    hub = open_hub_store(database, tmp_path / "hub-0", new_generation="generation-1")
    unit = NetworkUnit(tmp_path / "tarn", "tarn")
    code = unit.environment.new_code()
    now_ms = int(time.time() * 1_000)
    invite_device(hub, "unit", code=code, now_ms=now_ms)
    lines = []

    def open_line():
        lines.append(ByTurns(ports))
        return lines[-1]

    line = join_hub(
        unit.store,
        f"http://127.0.0.1:{ports[0]}/#join={code}",
        draw_chance=unit.chance,
        open_transport=open_line,
    )
    confirm_device(hub, line.unit, line.digits, by="", now_ms=now_ms)
    for number in range(3):
        unit.tell(number, birth_year=1950 + number)
        line = _exchange(unit, open_line)
    assert (line.standing, line.unsent, line.refused) == ("joined", 0, 0), line.sentence

    # Each line asks for its first nonce by a request without one; neither server then sends
    # anybody for another.
    assert len(lines) == 4
    for one in lines:
        assert one.answered[0] == 401
        assert set(one.answered[1:]) <= {200, 201}
    assert sum(len(one.answered) for one in lines) > 8
    with hub.reading():
        states = hub.views.of_kind("registry_patient")
    assert {one.record for one in states} == set(single(unit))
    assert verify_log(hub).findings == ()
    unit.close()
    hub.close()


def _exchange(unit, open_line):
    return exchange_with_hub(
        unit.store,
        build="test",
        today="2026-03-16",
        draw_chance=unit.chance,
        open_transport=open_line,
        publish=lambda store, _: unit._publish(store),
    )
