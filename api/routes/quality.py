"""The quality of the unit's own data over HTTP, and the rule files that the hub offers it."""

from typing import Annotated, Any, Literal

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.network_rule_files import (
    OfferedRuleFile,
    list_offered_rule_files,
    set_offer_aside,
    take_offered,
)
from api.use_cases.report_quality import QualityReport, report_quality
from api.use_cases.taken_rule_files import approve_taken, retire_taken

_LATER_ACTS = {"approve": approve_taken, "retire": retire_taken}
# Who mends records: the others are told how many there are.
_MENDERS = ("data-manager", "endoscopist")


class OfferedRuleFiles(msgspec.Struct, frozen=True):
    """What the hub offers, the latest first."""

    proposals: list[OfferedRuleFile]


class OfferAct(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is done with an offer: taken as a draft, set aside, approved or retired, and why."""

    proposal: Annotated[str, msgspec.Meta(max_length=200)]
    act: Literal["take", "set-aside", "approve", "retire"]
    because: Annotated[str, msgspec.Meta(max_length=500)] = ""


@get("/api/quality", tags=["quality"], sync_to_thread=True, opt={"needs": "quality.read"})
def get_quality(request: Request[Any, Any, Any], around: Around) -> QualityReport:
    """Say what is missing in the record or cannot be, and who mends it; nothing is changed.

    Who reads no clinical field is told no day of treatment, and the unit admin counts alone.
    """
    role = request.state["asker"].role
    report = report_quality(
        around.store,
        on=around.today(),
        with_records=role in _MENDERS,
        with_days=role == "endoscopist",
    )
    patients = dict.fromkeys(row.patient for row in report.to_mend if row.patient)
    note_asker(request, around, "read", "quality", tuple(patients))
    return report


@get(
    "/api/rule-files/network",
    tags=["rules"],
    sync_to_thread=True,
    opt={"needs": "offered-rule-files.read"},
)
def get_offered_rule_files(around: Around) -> OfferedRuleFiles:
    """Say which rule files the hub offers, and what each changes here in words and numbers."""
    return OfferedRuleFiles(list_offered_rule_files(around.store, on=around.today()))


@post(
    "/api/rule-files/network",
    status_code=200,
    tags=["rules"],
    sync_to_thread=True,
    opt={"needs": "offered-rule-files.answer"},
)
def post_offer_act(
    request: Request[Any, Any, Any], data: JSONBody[OfferAct], around: Around
) -> OfferedRuleFiles:
    """Take an offer, set it aside, approve or retire it; in force it comes by two approvals."""
    why = f"{data.act} {data.proposal}: {data.because}"
    by = note_asker(request, around, "answer", "offered-rule-files", why=why).id
    chance = around.draw_chance()
    if data.act == "take":
        take_offered(around.store, data.proposal, by=by, chance=chance)
    elif data.act in _LATER_ACTS:
        decide = _LATER_ACTS[data.act]
        decide(around.store, data.proposal, by=by, on=around.today(), chance=chance)
    else:
        set_offer_aside(
            around.store, data.proposal, by=by, because=data.because, now_ms=chance.now_ms
        )
    return OfferedRuleFiles(list_offered_rule_files(around.store, on=around.today()))
