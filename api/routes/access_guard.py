"""The one guard of every route: finds who asks, and asks the authorisation table (SEC-21)."""

import asyncio
from typing import Any

from litestar import Litestar
from litestar.connection import ASGIConnection, Request
from litestar.handlers.base import BaseRouteHandler
from litestar.handlers.http_handlers import HTTPRouteHandler

from api.access.access_table import AccessTable, Asker
from api.routes.device_proof import prove_device, proved_device, refuse_barred
from api.routes.person_session import find_asking_person
from api.routes.surroundings import Surroundings, is_of_machine
from api.storage.access_log import Outcome
from api.storage.device_store import Device
from api.storage.packaged_access import read_packaged_access_table
from api.use_cases.errors import NonceRefusedError, NotAllowedError, UnknownDeviceError
from api.use_cases.note_access import event_of

NEEDS = "needs"
_PUBLIC = Asker("public")
_STRANGER = "This device is not known here. Join it again by an invitation."


class UndeclaredRouteError(Exception):
    """A route does not say what it needs, or needs what no row of the table grants."""


async def guard_access(
    connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler
) -> None:
    """Let a request pass that the table allows; nothing of its body was looked at yet.

    Raises
    ------
    UnknownDeviceError
        Nobody in particular asks for what only some may have.
    NotAllowedError
        Who asks is known and may not.
    """
    if _is_automatic(handler):
        return
    table = read_packaged_access_table()
    thing, _, verb = str(handler.opt.get(NEEDS, "")).rpartition(".")
    if table.is_public(verb, thing):
        return
    request: Request[Any, Any, Any] = Request(connection.scope, connection.receive, connection.send)
    asker = await _prove(request, verb, thing)
    if not table.may(asker, verb, thing):
        await _note(request, asker, verb, thing, "refused")
        device = proved_device(request)
        if device is not None:
            refuse_barred(device, request.app.state.surroundings.store)
        raise _refusal(table, asker, verb, thing)


async def _prove(request: Request[Any, Any, Any], verb: str, thing: str) -> Asker:
    """Return who asks; note whoever shows something that proves nobody."""
    try:
        return await asker_of(request)
    except NonceRefusedError:
        # A device whose nonce is over asks again with the one that comes along.
        raise
    except (UnknownDeviceError, NotAllowedError):
        await _note(request, Asker("public"), verb, thing, "wrong")
        raise


async def _note(
    request: Request[Any, Any, Any], asker: Asker, verb: str, thing: str, outcome: Outcome
) -> None:
    """Note a refusal (AU7), but for whoever shows nothing at all: the request log has that."""
    if asker.kind == "public" and outcome == "refused":
        return
    around: Surroundings = request.app.state.surroundings
    event = event_of(asker, verb, thing, at_ms=around.environment.now_ms(), outcome=outcome)
    await asyncio.to_thread(around.refusals.note, event)


async def asker_of(request: Request[Any, Any, Any]) -> Asker:
    """Return who asks; a request is looked at once, whoever wants to know later.

    `prove_device` keeps the device for `provide_sender`: what proves it is used up one time.
    """
    held = request.state.get("asker")
    if isinstance(held, Asker):
        return held
    around: Surroundings = request.app.state.surroundings
    asker = await _find_asker(request, around)
    request.state["asker"] = asker
    return asker


async def _find_asker(request: Request[Any, Any, Any], around: Surroundings) -> Asker:
    if is_of_machine(request):
        return Asker("machine")
    device = await prove_device(request)
    if device is not None:
        return asker_of_device(device)
    person = await asyncio.to_thread(find_asking_person, request, around)
    if person is None:
        return _PUBLIC
    # As a device: a session in other hands hands out no more in an hour than a tablet would.
    around.limits.spend(request.route_handler.opt.get("limit", "device"), person.staff)
    return Asker("person", person.role, person.staff)


def asker_of_device(device: Device) -> Asker:
    """Return a device as the table names it: by its role, or by what bars it."""
    role = "waiting" if device.is_waiting else device.role
    role = "revoked" if device.revoked_ms is not None else role
    return Asker("device", role, device.id)


def _refusal(table: AccessTable, asker: Asker, verb: str, thing: str) -> Exception:
    if asker.kind == "public":
        is_of_devices = any(name.startswith("device:") for name in table.allowed(verb, thing))
        return UnknownDeviceError(_STRANGER if is_of_devices else table.refusal(thing))
    return NotAllowedError(table.refusal(thing))


def _is_automatic(handler: BaseRouteHandler) -> bool:
    """Say whether the framework made it to answer OPTIONS: it tells methods alone."""
    return isinstance(handler, HTTPRouteHandler) and handler.http_methods == {"OPTIONS"}


def refuse_undeclared_routes(app: Litestar) -> None:
    """Check that every route declares a need that stands in the table.

    Raises
    ------
    UndeclaredRouteError
        One does not; the server does not start.
    """
    table = read_packaged_access_table()
    for route in app.routes:
        for handler in getattr(route, "route_handlers", [route]):
            if _is_automatic(handler):
                continue
            need = handler.opt.get(NEEDS)
            if not isinstance(need, str) or not table.has(need):
                message = (
                    f"{route.path} needs {need!r}, which access_table.json does not grant to "
                    'anybody. Declare opt={"needs": "<object>.<verb>"} and add its row.'
                )
                raise UndeclaredRouteError(message)
