"""A hub and units that stand still, in one process; lines between them can be cut."""

import shutil
from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

import httpx
from litestar.testing import TestClient

from api.app import create_app
from api.storage.static_files import StaticFiles
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.confirm_device import confirm_device
from api.use_cases.hub_line import LineStanding, join_hub
from api.use_cases.invite_device import invite_device
from api.use_cases.publish_to_hub import exchange_with_hub
from api.use_cases.registry_log import registry_device
from api.use_cases.server_log import Chance, ServerDraft, write_all_as_server
from api.use_cases.server_role import settle_role
from sync.merge import shown_value
from tests.unit.api.standing_unit import LOCAL_KEY, StandingEnvironment

ADDRESS = "http://127.0.0.1:8470"
BY = "staff/server"
Records = Mapping[str, Mapping[str, Any]]


class ServerProcess:
    """A store on disk with its clock; opened again it goes on as a server started anew does."""

    def __init__(self, folder: Path, generation: str, *, as_hub: bool) -> None:
        self.folder, self.as_hub = folder, as_hub
        self.environment = StandingEnvironment()
        # Two servers never draw the same ids.
        self._mark = generation.replace("-", "")[:4]
        self.store = self._open(generation)

    def _open(self, generation: str) -> UnitStore:
        store = open_unit_store(self.folder, new_generation=generation)
        settle_role(store, as_hub=self.as_hub)
        return store

    def chance(self) -> Chance:
        environment = self.environment
        environment.moved["ms"] += 1
        return Chance(
            new_id=f"{self._mark}{environment.new_id()}",
            new_epoch=f"{self._mark}{environment.new_id()}",
            salt=environment.new_salt(),
            now_ms=environment.now_ms(),
        )

    def write(self, records: Records, over: Mapping[str, Any] | None = None) -> None:
        """Write on records as the server does."""
        drafts = [
            ServerDraft(record=record, fields=fields, over=(over or {}).get(record, {}))
            for record, fields in records.items()
        ]
        with self.store.transaction():
            write_all_as_server(self.store, drafts, by=BY, because="", draw_chance=self.chance)

    def shown(self, kind: str) -> dict[str, dict[str, Any]]:
        """Return every standing value of the records of a kind, all of them where there are two."""
        with self.store.transaction():
            return {
                state.record: {
                    name: [value.value for value in field.values]
                    for name, field in state.fields.items()
                }
                for state in self.store.views.of_kind(kind)
            }

    def copy(self, place: Path) -> None:
        """Copy the folder as a backup program does while the server stands."""
        self.close()
        shutil.copytree(self.folder, place)
        self.open()

    def put_back(self, place: Path) -> None:
        """Copy an older state of the folder over the one in use, without telling anybody."""
        self.close()
        shutil.rmtree(self.folder)
        shutil.copytree(place, self.folder)
        self.open()

    def open(self) -> None:
        self.store = self._open("unused")

    def close(self) -> None:
        self.store.close()


class StandingHub(ServerProcess):
    """A hub with its application."""

    def __init__(self, folder: Path, generation: str = "hub-generation-1") -> None:
        super().__init__(folder, generation, as_hub=True)
        self.asked: list[str] = []

    def open(self) -> None:
        super().open()
        self.__dict__.pop("_client", None)

    @cached_property
    def _client(self) -> TestClient[Any]:
        app = create_app(self.store, self.environment, StaticFiles({}), local_key=LOCAL_KEY)
        return TestClient(app, base_url=ADDRESS)

    def invite(self) -> str:
        code = self.environment.new_code()
        invite_device(self.store, "unit", code=code, now_ms=self.environment.now_ms())
        return f"{ADDRESS}/#join={code}"

    def confirm(self, unit: str, digits: str) -> None:
        now_ms = self.environment.now_ms()
        confirm_device(self.store, unit, digits, by="", now_ms=now_ms)

    def handle(self, request: httpx.Request) -> httpx.Response:
        """Answer a request as it travels."""
        self.asked.append(request.url.path)
        answer = self._client.request(
            request.method,
            request.url.raw_path.decode(),
            content=request.read(),
            headers=dict(request.headers),
        )
        kept = [pair for pair in answer.headers.multi_items() if pair[0] != "content-encoding"]
        return httpx.Response(answer.status_code, headers=kept, content=answer.content)


class Line(httpx.BaseTransport):
    """Carries requests to the hub of the moment; ``cut`` says which come to nothing, and when.

    ``cut(number)`` is "" for a request that passes, "before" for one that never arrives, and
    "after" for one whose answer is lost.
    """

    def __init__(self, hub: StandingHub, cut: Callable[[int], str] = lambda _: "") -> None:
        self._hub, self._cut = hub, cut
        self.count = 0

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.count += 1
        how = self._cut(self.count)
        if how == "before":
            raise httpx.ConnectError("cut", request=request)
        answer = self._hub.handle(request)
        if how == "after":
            raise httpx.ReadError("cut", request=request)
        return answer


class NetworkUnit(ServerProcess):
    """A unit server that publishes the records it is told to want."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__(folder, f"{name}-generation-1", as_hub=False)
        self.name = name
        self.wanted: dict[str, dict[str, Any]] = {}

    @property
    def device(self) -> str:
        with self.store.transaction():
            return registry_device(self.store)

    def join(self, hub: StandingHub) -> LineStanding:
        """Join a hub, and be let in by a person who compares the digits."""
        line = join_hub(
            self.store, hub.invite(), draw_chance=self.chance, open_transport=lambda: Line(hub)
        )
        assert line.standing == "waiting"
        hub.confirm(line.unit, line.digits)
        return line

    def tell(self, number: int, **fields: Any) -> str:
        """Want one more record in the registry, or another value of it, and return its name."""
        record = f"registry_patient/{self.name}{number}"
        held = self.wanted.get(record, {"unit": self.device, "sex": "female"})
        self.wanted[record] = {**held, **fields}
        return record

    def exchange(self, hub: StandingHub, cut: Callable[[int], str] = lambda _: "") -> LineStanding:
        """Try once."""
        return exchange_with_hub(
            self.store,
            build="test",
            today="2026-03-16",
            draw_chance=self.chance,
            open_transport=lambda: Line(hub, cut),
            publish=lambda store, _: self._publish(store),
        )

    def _publish(self, store: UnitStore) -> int:
        """Write what is wanted and not shown, each over all that stands, as publishing does."""
        fields: dict[str, dict[str, Any]] = {}
        over: dict[str, dict[str, Any]] = {}
        with store.transaction():
            for record, wanted in self.wanted.items():
                state = store.views.state_of(record)
                held = state.fields if state is not None else {}
                for name, value in wanted.items():
                    standing = held.get(name)
                    if standing is not None and shown_value(standing) == value:
                        continue
                    fields.setdefault(record, {})[name] = value
                    if standing is not None:
                        seen = [one for each in standing.values for one in each.references]
                        over.setdefault(record, {})[name] = tuple(seen)
        self.write(fields, over)
        return len(fields)
