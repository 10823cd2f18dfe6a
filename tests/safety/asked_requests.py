"""Requests to a server as somebody: each is kept with its answer, and can be sent once more."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import httpx

from tests.unit.api.desk_person import COOKIE, OWN_PAGE, PASSWORD, DeskPerson
from tests.unit.api.signing_device import SigningDevice
from tests.unit.api.standing_unit import LOCAL_KEY, StandingUnit

Route = tuple[str, str]


class Asker(NamedTuple):
    """Somebody who asks: what it is called, and the headers that show who it is."""

    name: str
    headers: Mapping[str, str]


PUBLIC = Asker("public", {})
MACHINE = Asker("machine", {"authorization": f"Bearer {LOCAL_KEY}"})


class Asked(NamedTuple):
    """One request and its answer; ``route`` is the method and the address as it is declared."""

    who: Asker
    route: Route
    address: str
    sent: dict[str, Any]
    answer: Any


@dataclass
class Asking:
    """Asks one server and keeps all that was asked."""

    unit: StandingUnit
    asked: list[Asked] = field(default_factory=list)

    def ask(
        self, who: Asker, route: str, *, at: Mapping[str, str] | None = None, **sent: Any
    ) -> Any:
        """Send a request and return its answer; ``at`` fills the places of the address."""
        method, _, declared = route.partition(" ")
        address = re.sub(r"\{(\w+)\}", lambda part: (at or {})[part[1]], declared)
        return self.send(who, (method, declared), address, sent)

    def done(self, who: Asker, route: str, **sent: Any) -> Any:
        """Send a request that has to be done, and return what its answer says."""
        answer = self.ask(who, route, **sent)
        assert answer.status_code < httpx.codes.MULTIPLE_CHOICES, f"{route}: {answer.text}"
        return answer.json()

    def send(self, who: Asker, route: Route, address: str, sent: dict[str, Any]) -> Any:
        """Send a request whose address is filled in."""
        self.unit.environment.moved["ms"] += 100
        self.unit.client.cookies.clear()
        headers = {**who.headers, **sent.get("headers", {})}
        answer = self.unit.client.request(route[0], address, **{**sent, "headers": headers})
        self.asked.append(Asked(who, route, address, sent, answer))
        return answer

    def join(self, code: str, device: str, *, name: str, **more: Any) -> Asker:
        """Let a device join by a code."""
        signer = SigningDevice(device)
        self.unit.auth.joining = signer
        content = {"code": code, "device": device, "name": name, "key": signer.key_text}
        answer = self.ask(PUBLIC, "POST /api/devices", json={**content, "epoch": "ep01", **more})
        self.unit.auth.joining = None
        assert answer.status_code == 201, answer.text
        token = answer.json()["token"]
        self.unit.signers[device] = self.unit.auth.signers[token] = signer
        return Asker(device, {"authorization": f"Bearer {token}"})

    def log_in(self, person: DeskPerson, name: str, password: str = PASSWORD) -> Asker:
        """Let a person log in with password and code."""
        content = {"login": person.login, "password": password, "code": person.code()}
        answer = self.ask(Asker(name, OWN_PAGE), "POST /api/session", json=content)
        assert answer.status_code == 201, answer.text
        cookie = answer.headers["set-cookie"].split(";")[0].partition("=")[2]
        return Asker(name, {**OWN_PAGE, "cookie": f"{COOKIE}={cookie}"})

    def routes(self, *, best: int = 300) -> set[Route]:
        """Return the routes that were answered below a status, as 300 for what was done."""
        return {one.route for one in self.asked if one.answer.status_code < best}
