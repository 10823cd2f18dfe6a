"""A second factor over HTTP for who has a password alone; the log-in with its code keeps it."""

from typing import Annotated, Any

import msgspec
from litestar import Request, Router, post
from litestar.params import JSONBody

from api.routes.person_session import refuse_foreign_page, spend_log_in
from api.routes.surroundings import Around
from api.use_cases.people_own_factor import offer_second_factor
from api.use_cases.people_second_factor import write_secret


class FactorAsked(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who has a password and no second factor yet."""

    login: Annotated[str, msgspec.Meta(max_length=100)]
    password: Annotated[str, msgspec.Meta(max_length=4_096)]


class FactorOffered(msgspec.Struct, frozen=True, kw_only=True):
    """A second factor to take up; ``offer`` goes along with its first code to `/api/session`."""

    login: str
    secret: str
    address: str
    offer: str


@post("/api/session-factor", tags=["people"], opt={"needs": "session.open"}, sync_to_thread=True)
def post_factor_offer(
    request: Request[Any, Any, Any], data: JSONBody[FactorAsked], around: Around
) -> FactorOffered:
    """Offer a second factor to who shows a password and has none."""
    refuse_foreign_page(request)
    # A password is looked at: it counts like a log-in.
    spend_log_in(request, around, data.login)
    environment = around.environment
    offered = offer_second_factor(
        around.store,
        data.login,
        data.password,
        token=environment.new_token(),
        salt=environment.new_salt(),
        now_ms=environment.now_ms(),
    )
    return FactorOffered(
        login=offered.login,
        secret=write_secret(offered.secret),
        address=offered.address,
        offer=offered.offer,
    )


second_factor_router = Router(path="/", route_handlers=[post_factor_offer])
