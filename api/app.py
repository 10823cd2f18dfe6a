"""Joins the parts into one application; the only file that knows them all."""

from importlib import metadata
from pathlib import Path

from litestar import Litestar, Router
from litestar.config.compression import CompressionConfig
from litestar.datastructures import State
from litestar.di import Provide
from litestar.openapi import OpenAPIConfig
from litestar.openapi.plugins import JsonRenderPlugin

from api.environment import Environment
from api.route_lists import routes_of
from api.routes.access_guard import guard_access, refuse_undeclared_routes
from api.routes.described_rows import DescribedRows
from api.routes.error_responses import EXCEPTION_HANDLERS
from api.routes.metrics import UnitMetrics
from api.routes.outer_shell import OuterShell
from api.routes.request_log import RequestLog
from api.routes.signed_shell import SignedShell
from api.routes.surroundings import Surroundings, provide_surroundings
from api.routes.watches import keep_watches
from api.storage.log_files import LogFiles
from api.storage.static_files import StaticFiles
from api.storage.unit_store import UnitStore

MAX_BODY_BYTES = 262_144


def create_app(
    store: UnitStore,
    environment: Environment,
    static_files: StaticFiles,
    *,
    local_key: str,
    hosts: frozenset[str] | None = None,
    is_https: bool = False,
    is_behind_proxy: bool = False,
    log_folder: Path | None = None,
    heads_to: Path | None = None,
    with_schema: bool = False,
) -> Litestar:
    """Return the application over one store.

    Parameters
    ----------
    local_key : str
        Secret that opens the way for commands on this machine; fresh at each start.
    hosts : frozenset of str or None
        Host names that requests may name; None allows every name.
    is_https : bool
        Browsers reach the app by HTTPS alone.
    is_behind_proxy : bool
        A proxy on this machine passes requests on, and says from where each came.
    log_folder : Path or None
        Where a line about each request is kept; None keeps none.
    heads_to : Path or None
        Folder outside for the heads of each day; None writes none.
    with_schema : bool
        Describe the interface at /schema/openapi.json; a unit in use tells it to nobody (SEC-01).

    Raises
    ------
    UndeclaredRouteError
        A route does not say what it needs, so nobody could say who may have it (SEC-21).
    """
    release = metadata.version("crura")
    surroundings = Surroundings(
        store=store,
        environment=environment,
        build=f"{release}+{static_files.build}",
        local_key=local_key,
        is_behind_proxy=is_behind_proxy,
        served_build=static_files.app_build,
        heads_to=heads_to,
    )
    metrics = UnitMetrics()
    app = Litestar(
        route_handlers=routes_of(is_hub=surroundings.is_hub),
        dependencies={"around": Provide(provide_surroundings, sync_to_thread=False)},
        state=State(
            {
                "static_files": static_files,
                "surroundings": surroundings,
                "metrics": metrics,
            }
        ),
        lifespan=[keep_watches(surroundings)],
        guards=[guard_access],
        exception_handlers=EXCEPTION_HANDLERS,
        compression_config=CompressionConfig(
            backend="gzip",
            minimum_size=1_024,
            # Static files come squeezed already; an event stream must not wait for a buffer.
            exclude="/api/exchange/events",
            exclude_opt_key="comes_squeezed",
        ),
        openapi_config=_describe(release) if with_schema else None,
        plugins=[DescribedRows()],
        request_max_body_size=MAX_BODY_BYTES,
        debug=False,
        logging_config=None,
    )
    refuse_undeclared_routes(app)
    shell = OuterShell(app.asgi_handler, hosts=hosts, is_https=is_https)
    app.asgi_handler = RequestLog(
        SignedShell(shell),
        environment=environment,
        metrics=metrics,
        files=LogFiles(log_folder) if log_folder is not None else None,
    )
    return app


def _describe(release: str) -> OpenAPIConfig:
    return OpenAPIConfig(
        title="Crura unit server",
        version=release,
        openapi_router=Router(
            "/schema", route_handlers=[], include_in_schema=False, opt={"needs": "schema.read"}
        ),
        render_plugins=[JsonRenderPlugin(path="/openapi.json")],
    )
