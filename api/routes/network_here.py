"""What the hub of its network asks of a unit, over HTTP: recalls, and proposals of links.

Names are shown to people of the unit alone; what goes to the hub is counts and a word.
"""

from typing import Annotated, Any, Literal

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.access.access_table import Asker
from api.routes.access_events import note_asker
from api.routes.surroundings import Around, Surroundings
from api.use_cases.answer_links import ProposalHere, answer_proposal, list_proposals_here
from api.use_cases.answer_recalls import (
    NoticeHere,
    answer_notice,
    list_notices_here,
)
from api.use_cases.name_handed_out import name_implants

# Who keeps devices and people acknowledges by counts, reads of no patient and closes nothing.
_WITHOUT_NAMES = ("unit-admin",)
_Name = Annotated[str, msgspec.Meta(max_length=105)]


class NoticesHere(msgspec.Struct, frozen=True):
    """The notices of the network for this unit."""

    notices: list[NoticeHere]


class NoticeAnswer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which notice a person of the unit acknowledges, or lets be heeded again."""

    notice: _Name
    act: Literal["acknowledge", "heed"]


class NoticeClosing(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which notice is dealt with; ``seen`` is the digest of what stood on the screen."""

    notice: _Name
    seen: Annotated[str, msgspec.Meta(min_length=1, max_length=64)]


class ProposalsHere(msgspec.Struct, frozen=True):
    """The proposals that concern patients of this unit."""

    proposals: list[ProposalHere]


class ProposalAnswer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a clinician of the unit answers: ``same``, ``not-same`` or ``cannot-tell``."""

    proposal: _Name
    answer: Annotated[str, msgspec.Meta(max_length=20)]


@get(
    "/api/recalls/network",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "recalls-here.read"},
)
def get_recalls_here(request: Request[Any, Any, Any], around: Around) -> NoticesHere:
    """List the notices of the network with whom each touches here; each search is kept."""
    found = _list_notices(around, request.state["asker"])
    named = name_implants(row for one in found.notices for row in one.rows)
    note_asker(request, around, "search", "implants", named, "recalls of the network")
    return found


@post(
    "/api/recalls/network",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "recalls-here.answer"},
)
def post_recall_answer(
    request: Request[Any, Any, Any], data: JSONBody[NoticeAnswer], around: Around
) -> NoticesHere:
    """Search by a notice and tell the hub the counts."""
    asker = note_asker(request, around, data.act, "recalls-here", (data.notice,))
    answer_notice(
        around.store,
        data.notice,
        data.act,
        on=around.today(),
        by=asker.id,
        draw_chance=around.draw_chance,
    )
    return _list_notices(around, asker)


@post(
    "/api/recalls/network-closings",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "recalls-here.close"},
)
def post_recall_closing(
    request: Request[Any, Any, Any], data: JSONBody[NoticeClosing], around: Around
) -> NoticesHere:
    """Close a notice over whom it touches, and tell the hub the counts.

    Only for those who see the names: whoever closes says that each of them was looked into.
    """
    asker = note_asker(request, around, "close", "recalls-here", (data.notice,))
    answer_notice(
        around.store,
        data.notice,
        "close",
        on=around.today(),
        by=asker.id,
        draw_chance=around.draw_chance,
        seen_before=data.seen,
    )
    return _list_notices(around, asker)


@get(
    "/api/links/network",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "links-here.read"},
)
def get_links_here(request: Request[Any, Any, Any], around: Around) -> ProposalsHere:
    """List the proposals of the hub with the names of own patients."""
    found = list_proposals_here(around.store)
    patients = tuple(one.own.patient for one in found if one.own is not None)
    note_asker(request, around, "read", "links-here", patients, "links of the network")
    return ProposalsHere(found)


@post(
    "/api/links/network",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "links-here.answer"},
)
def post_link_answer(
    request: Request[Any, Any, Any], data: JSONBody[ProposalAnswer], around: Around
) -> ProposalsHere:
    """Tell the hub whether the two are one person."""
    note_asker(request, around, "answer", "links-here", (data.proposal,), data.answer)
    found = answer_proposal(around.store, data.proposal, data.answer, chance=around.draw_chance())
    return ProposalsHere(found)


def _list_notices(around: Surroundings, asker: Asker) -> NoticesHere:
    found = list_notices_here(
        around.store, on=around.today(), by=asker.id, draw_chance=around.draw_chance
    )
    if asker.role in _WITHOUT_NAMES:
        found = [msgspec.structs.replace(one, rows=[]) for one in found]
    return NoticesHere(found)
