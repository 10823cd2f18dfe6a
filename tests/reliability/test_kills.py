"""Killed at any moment, the server still has every operation that it had told as saved."""

import os
import random
import subprocess
import sys
import threading
import time

import httpx
import pytest

from tests.browser.unit_server import ROOT, UnitServer
from tests.reliability.http_tablet import HttpTablet, join_tablets
from tests.reliability.ward import examine

KILLS = int(os.environ.get("KILLS", "500"))
SERVER_KILLS = int(os.environ.get("SERVER_KILLS", "10"))
SEED = int(os.environ.get("KILL_SEED", "1"))


def test_no_kill_of_the_process_that_takes_pushes_in_loses_what_was_told():
    """kill9_push [EX6] (REL-01). The harness and what it kills are described in `kills.py`.

    Caught, each planted in turn and taken out again:

    - `kills.py`: the tablets were told before `receive_push` had returned;
    - `connection.py`: the block of a transaction was committed row by row (autocommit).
    """
    done = subprocess.run(
        [sys.executable, "-m", "tests.reliability.kills", f"--rounds={KILLS}", f"--seed={SEED}"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    told = int(done.stdout.split(" operations told")[0].split()[-1])
    assert told > KILLS, "hardly anything was taken in between the kills"


class _KilledServer(UnitServer):
    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait(timeout=20)
        self._process = None


def _push_until_cut(tablet: HttpTablet, chance: random.Random) -> None:
    with httpx.Client(trust_env=False) as client:
        try:
            while True:
                tablet.write(chance.randint(1, 5))
                assert tablet.exchange(client).status_code == 200
        except httpx.TransportError:
            return


@pytest.fixture
def server(tmp_path):
    standing = _KilledServer(tmp_path / "unit")
    yield standing
    standing.stop()


def test_the_whole_server_killed_under_load_has_everything_it_answered_for(server):
    """kill9_push [EX3] [EX6] (REL-01). Three tablets push at once over HTTP; what a tablet was told
    is looked for byte for byte, and `crura verify` looks at hashes, chains and views."""

    chance = random.Random(SEED)
    names = ["tablet-a", "tablet-b", "tablet-c"]
    tokens = join_tablets(server.folder, names)
    tablets = [HttpTablet(name, tokens[name], server.address) for name in names]

    for _ in range(SERVER_KILLS):
        server.start()
        pushing = [
            threading.Thread(target=_push_until_cut, args=(tablet, random.Random(name)))
            for name, tablet in zip(names, tablets, strict=True)
        ]
        for thread in pushing:
            thread.start()
        time.sleep(chance.uniform(0.02, 0.3))
        server.kill()
        for thread in pushing:
            thread.join(timeout=20)
            assert not thread.is_alive()

        assert examine(server.folder, [texts for one in tablets for texts in one.told]) == []

    server.start()
    with httpx.Client(trust_env=False) as client:
        for tablet in tablets:
            tablet.exchange(client)
    server.stop()
    count = sum(len(tablet.writer.log) for tablet in tablets)
    assert sum(len(set(tablet.told)) for tablet in tablets) <= count
    assert count > SERVER_KILLS * len(tablets)
    assert server.crura("verify") == f"{count} operations in 3 logs are sound.\n"
