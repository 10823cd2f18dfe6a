"""A unit that stands still: fixed time and ids, a store on disk, and devices that write."""

import gzip
import hashlib
import json
import re
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from litestar.testing import TestClient

from api.app import create_app
from api.environment import Environment
from api.storage.hub_store import open_hub_store
from api.storage.static_files import StaticFiles
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.invite_device import invite_device
from api.use_cases.server_role import settle_role
from sync.clock import Stamp
from sync.errors import SyncError
from sync.operation import Body, Operation, make_operation, read_operation
from tests.unit.api.signing_client import SigningClient
from tests.unit.api.signing_device import SigningDevice

NOON_MS = 1_790_000_000_000
LOCAL_KEY = "key-of-this-folder"
_DEVICE = re.compile(r"[a-z0-9-]{1,32}")
Texts = tuple[str, str]


@dataclass(frozen=True)
class StandingEnvironment(Environment):
    """An environment that tests move by hand; tokens, codes and ids are counted.

    ``moved["wall_ms"]`` moves the wall clock alone, as who sets a server's clock does.
    ``zones`` are those in which the day was asked for.
    """

    moved: dict[str, int] = field(default_factory=lambda: {"ms": 0, "drawn": 0, "bytes": 0})
    zones: list[str] = field(default_factory=list)

    def now_ms(self) -> int:
        return NOON_MS + self.moved["ms"] + self.moved.get("wall_ms", 0)

    def monotonic_ms(self) -> int:
        # It only goes on, also where a test puts the clock back.
        self.moved["highest"] = max(self.moved.get("highest", 0), self.moved["ms"])
        return self.moved["highest"]

    def draw_bytes(self, count: int) -> bytes:
        self.moved["bytes"] += 1
        return hashlib.shake_256(str(self.moved["bytes"]).encode()).digest(count)

    def today(self, zone: str = "") -> str:
        self.zones.append(zone)
        return "2026-03-16"

    def _draw(self) -> int:
        self.moved["drawn"] += 1
        return self.moved["drawn"]

    def new_token(self) -> str:
        return f"{self._draw():064x}"

    def new_salt(self) -> str:
        return f"{self._draw():032x}"

    def new_id(self) -> str:
        return f"id{self._draw():08d}"

    def new_code(self) -> str:
        return f"CODE-{self._draw():04d}"


class Writer:
    """A device that writes operations, each continuing its log."""

    def __init__(self, device: str, epoch: str = "ep01") -> None:
        self.device, self.epoch = device, epoch
        self.log: list[Operation] = []

    def write(
        self,
        record: str = "puncture/p-1",
        stream: str = "care",
        *,
        set: dict[str, Any] | None = None,  # noqa: A002  the body's own word
        over: dict[str, tuple[str, ...]] | None = None,
        retract: tuple[str, ...] = (),
        counter: int | None = None,
        previous: str | None = None,
    ) -> Operation:
        number = len(self.log) + 1 if counter is None else counter
        before = self.log[-1].hash if self.log else ""
        operation = make_operation(
            device=self.device,
            epoch=self.epoch,
            counter=number,
            previous=before if previous is None else previous,
            stream=stream,
            record=record,
            stamp=str(Stamp(NOON_MS + number, 0, self.device)),
            body=Body(
                salt=f"{number:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                set=({} if retract else {"stop_um": 30_000}) if set is None else set,
                over=over or {},
                retract=retract,
            ),
        )
        self.log.append(operation)
        return operation


def texts(*operations: Operation) -> list[Texts]:
    """Return operations as they travel."""
    return [(operation.envelope_text, operation.body_text or "") for operation in operations]


def forged(operation: Operation) -> Texts:
    """Return an operation whose body was changed after it was written."""
    body = (operation.body_text or "").replace('"catalogue":1', '"catalogue":9')
    assert body != operation.body_text
    return operation.envelope_text, body


def carried_head(operation: Operation, signer: SigningDevice | None = None) -> list[Any]:
    """Return the head of an operation's log as others carry it, signed by its device (SG12)."""
    signer = signer or SigningDevice(operation.device)
    place = operation.device, operation.epoch, operation.counter, operation.hash
    return [*place, signer.sign_head(operation)]


class StandingUnit:
    """One unit server over a store in a folder; a hub may lie in a database instead."""

    def __init__(self, folder: Path, *, as_hub: bool = False, database: str = "") -> None:
        self.folder = folder
        self.environment = StandingEnvironment()
        self.store: UnitStore = (
            open_hub_store(database, folder, new_generation="generation-1")
            if database
            else open_unit_store(folder, new_generation="generation-1")
        )
        settle_role(self.store, as_hub=as_hub)
        self.static_files = StaticFiles({"index.html": b"<p>Crura</p>"})
        self.client: TestClient[Any]
        # Requests that bear the token of a device are signed by its key.
        self.auth = SigningClient()
        self.signers: dict[str, SigningDevice] = {}

    @contextmanager
    def serving(self, *, log_folder: Path | None = None):
        app = create_app(
            self.store,
            self.environment,
            self.static_files,
            local_key=LOCAL_KEY,
            log_folder=log_folder,
            with_schema=True,
        )
        with TestClient(app, raise_server_exceptions=False) as client:
            self.client = client
            client.auth = self.auth
            yield self
        self.store.close()

    def join(
        self,
        device: str,
        role: str = "bedside",
        *,
        key: SigningDevice | None = None,
        is_trusted: bool = True,
        epoch: str = "ep01",
        for_recovery: bool = False,
        **headers: str,
    ) -> dict[str, str]:
        """Let a device join and return the headers it then sends; its key is that of its name."""
        code = self.environment.new_code()
        now_ms = self.environment.now_ms()
        invite_device(self.store, role, code=code, now_ms=now_ms, is_trusted=is_trusted)
        answer = self.ask_to_join(
            code, device, key=key, epoch=epoch, for_recovery=for_recovery, **headers
        )
        assert answer.status_code == 201, answer.text
        return {"authorization": f"Bearer {answer.json()['token']}"}

    def change_role(self, device: str, role: str) -> None:
        """Give a device that joined a role, also one that this server invites nobody in."""
        with self.store.transaction():
            self.store._database.connection.execute(
                "UPDATE device SET role = ? WHERE id = ?", (role, device)
            )

    def ask_to_join(
        self,
        code: str,
        device: str,
        name: str | None = None,
        *,
        key: SigningDevice | None = None,
        epoch: str = "ep01",
        for_recovery: bool = False,
        **headers: str,
    ):
        """Ask to join by a code, as the browser on a device does, and return the answer."""
        key = key or SigningDevice(device)
        content = {
            "code": code,
            "device": device,
            "name": f"Name of {device}" if name is None else name,
            "key": key.key_text,
            "epoch": epoch,
            "for_recovery": for_recovery,
        }
        self.auth.joining = copy(key)
        # What can be no id is refused before anybody looks who signed.
        self.auth.joining.device = device if _DEVICE.fullmatch(device) else "x"
        answer = self.client.post("/api/devices", json=content, headers=headers)
        self.auth.joining = None
        if answer.status_code == 201:
            self.signers[device] = self.auth.signers[answer.json()["token"]] = key
        return answer

    def push(self, headers: dict[str, str], device: str, operations: list[Any], **more: Any):
        """Send operations; their head is signed as the device does, where nothing else is said."""
        content = {"device": device, "operations": operations, **more}
        if "signature" not in more:
            content |= self._sign_head(device, operations)
        return self.client.post("/api/exchange/push", json=content, headers=headers)

    def _sign_head(self, device: str, operations: list[Any]) -> dict[str, str]:
        try:
            last = read_operation(operations[-1][0], None)
        except (IndexError, TypeError, SyncError):
            return {}
        return {"signature": self.signers[device].sign_head(last)} if device in self.signers else {}

    def push_squeezed(self, headers: dict[str, str], content: bytes):
        return self.client.post(
            "/api/exchange/push",
            content=content,
            headers={
                **headers,
                "content-type": "application/json",
                "content-encoding": "gzip",
            },
        )

    def pull(self, headers: dict[str, str], stream: str, **asked: Any):
        return self.client.get(
            "/api/exchange/pull", params={"stream": stream, **asked}, headers=headers
        )

    def handshake(self, headers: dict[str, str], device: str, **changed: Any):
        content = {
            "device": device,
            "tip": {"epoch": "ep01", "counter": 0, "hash": ""},
            "cursors": {},
            "catalogue": 1,
            "wall_ms": NOON_MS,
            **changed,
        }
        return self.client.post("/api/exchange/handshake", json=content, headers=headers)

    def written(self) -> tuple[int, int, int]:
        """Return how many operations, quarantined texts and views the store holds."""
        with self.store.transaction():
            return (
                self.store.operations.count(),
                len(self.store.operations.quarantined()),
                len(self.store.views.of_kind("puncture")),
            )


REVOKED = "/problems/device-revoked"


def squeezed(content: Any) -> bytes:
    """Return JSON as gzip."""
    return gzip.compress(json.dumps(content).encode())


def assert_problem(answer: Any, status: int, *parts: str, kind: str = "about:blank") -> None:
    """Assert problem details of RFC 9457 with one sentence that holds the parts.

    ``kind`` is the type of a problem that an app acts on by itself.
    """
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    assert problem["title"]
    assert problem["type"] == kind
    for part in parts:
        assert part in problem["detail"]
