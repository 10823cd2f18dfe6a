"""A tablet that pushes to the real server over HTTP and remembers what it was told."""

import json
from pathlib import Path

import httpx

from api.storage.unit_store import open_unit_store
from api.use_cases.invite_device import invite_device
from api.use_cases.join_device import EnrolledKey, join_device
from tests.reliability.ward import NOON_MS, Texts
from tests.unit.api.signing_client import SigningClient
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import Writer, texts


def join_tablets(folder: Path, names: list[str]) -> dict[str, str]:
    """Let tablets join a folder that nobody serves yet; return their tokens."""
    store = open_unit_store(folder, new_generation="generation-1")
    tokens = {}
    for number, name in enumerate(names):
        code, token = f"CODE-{number}", f"{number:064x}"
        invite_device(store, "bedside", code=code, now_ms=NOON_MS, is_trusted=True)
        join_device(
            store,
            code=code,
            device=name,
            name=name,
            held_token=None,
            new_token=token,
            now_ms=NOON_MS,
            key=EnrolledKey(SigningDevice(name).key_text, "ep01"),
        )
        tokens[name] = token
    store.close()
    return tokens


class HttpTablet:
    """Keeps its own log; after each trouble it begins with a handshake, as a tablet does."""

    def __init__(self, name: str, token: str, address: str) -> None:
        self.name = name
        self.writer = Writer(name)
        self.told: list[Texts] = []
        self._address = address
        self._headers = {"authorization": f"Bearer {token}"}
        self._signer = SigningDevice(name)
        self._signing = SigningClient()
        self._signing.signers[token] = self._signer

    def write(self, count: int) -> None:
        """Save some operations on the tablet."""
        for _ in range(count):
            number = len(self.writer.log) + 1
            self.writer.write(f"puncture/{self.name}-{number % 7}", set={"stop_um": number})

    def exchange(self, client: httpx.Client) -> httpx.Response:
        """Ask where the server's copy ends, send the rest, and return the last answer."""
        log = self.writer.log
        tip = {"epoch": "ep01", "counter": len(log), "hash": log[-1].hash if log else ""}
        answer = self._post(
            client,
            "handshake",
            {"tip": tip, "cursors": {}, "catalogue": 1, "wall_ms": NOON_MS},
        )
        if answer.status_code != 200:
            return answer
        held = json.loads(answer.content)["tip"]["counter"]
        waiting = texts(*log[held:])
        if waiting:
            signature = self._signer.sign_head(log[-1])
            answer = self._post(client, "push", {"operations": waiting, "signature": signature})
            if answer.status_code == 200:
                self.told += waiting
        return answer

    def _post(self, client: httpx.Client, what: str, content: dict[str, object]) -> httpx.Response:
        return client.post(
            f"{self._address}/api/exchange/{what}",
            json={"device": self.name, **content},
            headers=self._headers,
            auth=self._signing,
        )
