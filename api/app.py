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
from api.routes.access_events import get_access_events, get_access_head, post_access_events
from api.routes.access_guard import guard_access, refuse_undeclared_routes
from api.routes.backups import post_backup
from api.routes.bookings import get_closed_days, get_over_bookings, post_proposals
from api.routes.calculate import post_calculation
from api.routes.calendar import (
    get_calendar,
    get_calendars,
    post_calendar,
    post_calendar_revocation,
)
from api.routes.case_export import get_case_export
from api.routes.conflicts import get_conflicts, get_decisions
from api.routes.described_rows import DescribedRows
from api.routes.devices import (
    get_devices,
    get_own_standing,
    get_unit_devices,
    post_confirmation,
    post_device,
    post_invitation,
    post_nonces,
    post_revocation,
)
from api.routes.documents import get_document, post_paper
from api.routes.error_responses import EXCEPTION_HANDLERS
from api.routes.exchange import exchange_router
from api.routes.failsafe import get_failsafe_list, get_failsafe_paper, post_failsafe_review
from api.routes.fhir import get_fhir_case, get_fhir_visits
from api.routes.follow_up import get_clinic_weeks, get_follow_up_measures
from api.routes.follow_up_check import get_follow_up_check
from api.routes.health import get_health
from api.routes.implants import post_implant_search
from api.routes.letters import get_reminders, post_letters
from api.routes.metrics import UnitMetrics, get_metrics
from api.routes.outer_shell import OuterShell
from api.routes.people import people_router
from api.routes.person_session import session_router
from api.routes.pictures import get_picture_piece, get_picture_standing, put_picture_piece
from api.routes.plan_checks import get_plan_checks
from api.routes.privacy import get_retention, post_patient_export
from api.routes.request_log import RequestLog
from api.routes.sealed import sealed_router
from api.routes.signed_shell import SignedShell
from api.routes.snapshots import get_segment, get_snapshot
from api.routes.static_files import get_start, get_static_file
from api.routes.stock import get_stock
from api.routes.surroundings import Surroundings, provide_surroundings
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
    )
    metrics = UnitMetrics()
    app = Litestar(
        route_handlers=[
            exchange_router,
            sealed_router,
            get_snapshot,
            get_segment,
            post_device,
            get_devices,
            get_own_standing,
            get_unit_devices,
            post_nonces,
            post_invitation,
            post_confirmation,
            post_revocation,
            post_backup,
            get_conflicts,
            get_decisions,
            get_plan_checks,
            get_picture_standing,
            get_picture_piece,
            put_picture_piece,
            get_calendar,
            get_calendars,
            post_calendar,
            post_calendar_revocation,
            get_follow_up_measures,
            get_follow_up_check,
            get_clinic_weeks,
            get_stock,
            post_letters,
            get_reminders,
            get_case_export,
            get_fhir_case,
            get_fhir_visits,
            get_failsafe_list,
            get_document,
            post_paper,
            post_implant_search,
            post_access_events,
            get_access_events,
            get_access_head,
            get_retention,
            post_patient_export,
            get_failsafe_paper,
            post_failsafe_review,
            post_proposals,
            get_closed_days,
            get_over_bookings,
            get_health,
            get_metrics,
            post_calculation,
            session_router,
            people_router,
            get_start,
            get_static_file,
        ],
        dependencies={"around": Provide(provide_surroundings, sync_to_thread=False)},
        state=State(
            {
                "static_files": static_files,
                "surroundings": surroundings,
                "metrics": metrics,
            }
        ),
        on_startup=[surroundings.follow_up_watch.rounds.start],
        on_shutdown=[
            surroundings.follow_up_watch.rounds.close,
            surroundings.second_check.close,
            surroundings.refusals.close,
        ],
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
