"""The hub's desk over HTTP: the fleet, and the quality of the units' data."""

from typing import Annotated

from litestar import get
from litestar.params import QueryParameter

from api.routes.surroundings import Around
from api.use_cases.read_fleet import Fleet, read_fleet
from api.use_cases.read_network_quality import NetworkQuality, read_network_quality

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
def get_network_quality(around: Around, unit: _Word = "") -> NetworkQuality:
    """Say how many records of each unit break which rule, over time, and how complete they are."""
    now_ms = around.environment.now_ms()
    return read_network_quality(around.store, now_ms=now_ms, today=around.today(), unit=unit)
