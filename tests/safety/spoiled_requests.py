"""Requests that were done, asked once more so that they are not: by others, spoiled, on a bad disk.

Each keeps as much of what was good as it can, so that it comes far before it is refused.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from tests.safety.asked_requests import PUBLIC, Asked, Asker, Asking, Route
from tests.safety.planted_secrets import Secrets

# Who logs out is nobody afterwards; an open line is read until its end.
LEFT_OUT = {("DELETE", "/api/session"), ("GET", "/api/exchange/events")}


def good_requests(asking: Asking) -> list[Asked]:
    """Return one request of each route that was done, the last one."""
    last: dict[Route, Asked] = {}
    for one in asking.asked:
        if one.answer.status_code < 300 and one.route not in LEFT_OUT:
            last[one.route] = one
    return [last[route] for route in sorted(last)]


def again(asking: Asking, one: Asked, who: Asker | None = None, **changed: Any) -> Asked:
    """Send a request once more, as somebody else or with another content."""
    address = changed.pop("address", one.address)
    sent = {**one.sent, **changed}
    asking.send(who or one.who, one.route, address, sent)
    return asking.asked[-1]


def by_others(asking: Asking, askers: Iterable[Asker], requests: list[Asked]) -> Iterator[Asked]:
    """Ask everything as everybody else."""
    for who in (PUBLIC, *askers):
        for one in requests:
            if one.who.name != who.name:
                yield again(asking, one, who)


def spoiled(asking: Asking, secrets: Secrets, requests: list[Asked]) -> Iterator[Asked]:
    """Put a secret in the place of each part of a request, of its headers and its address."""
    for one in requests:
        method, declared = one.route
        note = secrets.draw(f"header of {declared}")
        headers = {**one.sent.get("headers", {}), "x-note": note, "user-agent": note}
        yield again(asking, one, headers=headers)
        yield again(asking, one, address=f"{one.address}/{secrets.draw('address')}")
        asked = one.sent.get("params", {})
        for name in (*asked, "on"):
            params = {**asked, name: secrets.draw(f"question {name} of {declared}")}
            yield again(asking, one, params=params)
        content = one.sent.get("json")
        if isinstance(content, dict):
            for name in content:
                changed = {**content, name: secrets.draw(f"{name} of {declared}")}
                yield again(asking, one, json=changed)
            yield again(asking, one, json={**content, secrets.draw("key"): secrets.draw("value")})
        if method in ("POST", "PUT"):
            torn = f'{{"because": "{secrets.draw("torn content")}'.encode()
            kept = {name: part for name, part in one.sent.items() if name != "json"}
            plain = Asked(one.who, one.route, one.address, kept, one.answer)
            yield again(asking, plain, content=torn)
