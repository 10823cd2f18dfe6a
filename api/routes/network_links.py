"""Links between patients of the network over HTTP, at the hub: listed, agreed on, parted."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody, QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.decide_links import LinkAct, decide_link
from api.use_cases.list_links import (
    LinkState,
    NetworkLink,
    NetworkLinks,
    list_links,
    show_link,
)

_Name = Annotated[str, msgspec.Meta(max_length=105)]
_StateName = Annotated[LinkState, QueryParameter(name="state")]


class LinkDecision(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a person decides on a link; ``because`` is a reason of the closed list."""

    link: _Name
    act: LinkAct
    because: Annotated[str, msgspec.Meta(max_length=40)] = ""


class DecidedLink(msgspec.Struct, frozen=True):
    """The link as it stands now."""

    link: NetworkLink


@get(
    "/api/network/links",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-links.read"},
)
def get_network_links(
    request: Request[Any, Any, Any], around: Around, wanted: _StateName = "proposed"
) -> NetworkLinks:
    """List links of one state, the likeliest first."""
    asker = note_asker(request, around, "read", "network-links", why=wanted)
    return list_links(around.store, wanted, by=asker.id)


@post(
    "/api/network/link-acts",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-links.decide"},
)
def post_link_act(
    request: Request[Any, Any, Any], data: JSONBody[LinkDecision], around: Around
) -> DecidedLink:
    """Write down what a person decided."""
    asker = note_asker(request, around, data.act, "network-links", (data.link,), data.because)
    decide_link(
        around.store,
        data.link,
        data.act,
        because=data.because,
        by=asker.id,
        chance=around.draw_chance(),
    )
    with around.store.reading():
        return DecidedLink(show_link(around.store, data.link, by=asker.id))
