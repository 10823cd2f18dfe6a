"""The hub's desk over HTTP: the fleet, the quality of the units' data, and what lies aside."""

from typing import Annotated, Any

from litestar import Request, get
from litestar.params import QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.list_network_aside import NetworkAside, list_network_aside
from api.use_cases.read_fleet import Fleet, read_fleet
from api.use_cases.read_network_quality import (
    NetworkQuality,
    QualityAsk,
    read_network_quality,
)

_Word = Annotated[str, QueryParameter(max_length=100)]


@get("/api/network/fleet", tags=["network"], sync_to_thread=True, opt={"needs": "fleet.read"})
def get_fleet(around: Around) -> Fleet:
    """Say of each unit and device when it was last heard of, the longest silent first."""
    return read_fleet(around.store, now_ms=around.environment.now_ms())


@get(
    "/api/network/quality",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-quality.read"},
)
def get_network_quality(
    around: Around, unit: _Word = "", rule: _Word = "", after: _Word = ""
) -> NetworkQuality:
    """Say how many records break which rule, in which units, over time, and how full fields are.

    Units come by pages: those after one, and those in which a rule found something. How full the
    fields are is told of the one unit that is asked for.
    """
    return read_network_quality(
        around.store,
        QualityAsk(unit=unit, rule=rule, after=after),
        now_ms=around.environment.now_ms(),
        today=around.today(),
    )


@get(
    "/api/network/set-aside",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-aside.read"},
)
def get_network_aside(request: Request[Any, Any, Any], around: Around) -> NetworkAside:
    """Say what lies aside since the hub was put back, and what people have to do again."""
    note_asker(request, around, "read", "network-aside")
    return list_network_aside(around.store, now_ms=around.environment.now_ms())
