"""Joins the parts into one application; the only file that knows them all."""

from importlib import metadata

from litestar import Litestar
from litestar.config.compression import CompressionConfig
from litestar.datastructures import State
from litestar.di import Provide
from litestar.openapi import OpenAPIConfig
from litestar.openapi.plugins import JsonRenderPlugin

from api.environment import Environment
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
from api.routes.devices import get_devices, post_device, post_invitation, post_revocation
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
from api.routes.outer_shell import OuterShell
from api.routes.pictures import get_picture_piece, get_picture_standing, put_picture_piece
from api.routes.plan_checks import get_plan_checks
from api.routes.snapshots import get_segment, get_snapshot
from api.routes.static_files import get_start, get_static_file
from api.routes.stock import get_stock
from api.routes.surroundings import Surroundings, provide_surroundings
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
) -> Litestar:
    """Return the application over one store.

    Parameters
    ----------
    local_key : str
        Secret that opens the way for commands on this machine; fresh at each start.
    hosts : frozenset of str or None
        Host names that requests may name; None allows every name.
    """
    release = metadata.version("crura")
    surroundings = Surroundings(
        store=store,
        environment=environment,
        build=f"{release}+{static_files.build}",
        local_key=local_key,
    )
    app = Litestar(
        route_handlers=[
            exchange_router,
            get_snapshot,
            get_segment,
            post_device,
            get_devices,
            post_invitation,
            post_revocation,
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
            get_failsafe_paper,
            post_failsafe_review,
            post_proposals,
            get_closed_days,
            get_over_bookings,
            get_health,
            post_calculation,
            get_start,
            get_static_file,
        ],
        dependencies={"around": Provide(provide_surroundings, sync_to_thread=False)},
        state=State(
            {
                "static_files": static_files,
                "surroundings": surroundings,
            }
        ),
        on_startup=[surroundings.follow_up_watch.start],
        on_shutdown=[surroundings.follow_up_watch.close, surroundings.second_check.close],
        exception_handlers=EXCEPTION_HANDLERS,
        compression_config=CompressionConfig(
            backend="gzip",
            minimum_size=1_024,
            # Static files come squeezed already; an event stream must not wait for a buffer.
            exclude="/api/exchange/events",
            exclude_opt_key="comes_squeezed",
        ),
        openapi_config=OpenAPIConfig(
            title="Crura unit server",
            version=release,
            path="/schema",
            render_plugins=[JsonRenderPlugin(path="/openapi.json")],
        ),
        request_max_body_size=MAX_BODY_BYTES,
        debug=False,
        logging_config=None,
    )
    app.asgi_handler = OuterShell(app.asgi_handler, hosts=hosts)
    return app
