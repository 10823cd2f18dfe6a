"""Numbers about the server in the text form of Prometheus, for who runs it: no ids, no paths.

Only commands on this machine, which hold the key of the data folder, may read them.
"""

from typing import Any

from litestar import MediaType, Request, Response, get
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest

from api.routes.surroundings import Around, is_of_machine
from api.use_cases.errors import UnknownDeviceError

# Route templates are those of the app; what no route takes shares one name.
_NO_ROUTE = "none"
_BUCKETS = (0.01, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 15.0, 60.0)


class UnitMetrics:
    """Counts requests; one registry for each app, so that two in one process stay apart."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self._requests = Counter(
            "crura_requests",
            "Requests that were answered; status 0 is one that was not.",
            ("method", "route", "status"),
            registry=self._registry,
        )
        self._seconds = Histogram(
            "crura_request_seconds",
            "From the first byte of a request to the end of its answer.",
            ("route",),
            buckets=_BUCKETS,
            registry=self._registry,
        )

    def count(self, method: str, route: str, status: int, ms: int) -> None:
        """Count one request. ``route`` is a template of ours, "" where none was found."""
        named = route or _NO_ROUTE
        self._requests.labels(method, named, str(status)).inc()
        self._seconds.labels(named).observe(ms / 1_000)

    def write(self) -> bytes:
        """Return the text form."""
        return generate_latest(self._registry)


@get("/metrics", include_in_schema=False, sync_to_thread=True, opt={"needs": "metrics.read"})
def get_metrics(request: Request[Any, Any, Any], around: Around) -> Response[bytes]:
    """Give the numbers of this server since its start."""
    if not is_of_machine(request):
        raise UnknownDeviceError("Numbers of the server are read by `crura metrics` on it.")
    metrics: UnitMetrics = request.app.state.metrics
    return Response(metrics.write(), media_type=f"{MediaType.TEXT}; version=0.0.4")
