"""What commands on the server alone ask for: who was at risk by a lost tablet, and gates passed."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get
from litestar.params import QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.list_held_by import HeldBy, list_held_by, read_moment
from api.use_cases.rule_health import RuleHealth, count_rule_health
from api.use_cases.unit_day import read_unit_zone

Word = Annotated[str, QueryParameter(max_length=100)]


class RulesHealth(msgspec.Struct, frozen=True):
    """Every rule that came up, by its name."""

    rules: list[RuleHealth]


@get(
    "/api/held-by",
    include_in_schema=False,
    sync_to_thread=True,
    opt={"needs": "held-by.search"},
)
def get_held_by(request: Request[Any, Any, Any], around: Around, device: Word, at: Word) -> HeldBy:
    """Say whose records a device may have held at a moment, by the unit's clock (PRIV-07)."""
    zone = read_unit_zone(around.store, otherwise=around.environment.time_zone)
    at_ms = read_moment(at, zone=zone)
    note_asker(request, around, "search", "held-by", why=device)
    return list_held_by(around.store, device, at_ms=at_ms)


@get(
    "/api/rule-health",
    include_in_schema=False,
    sync_to_thread=True,
    opt={"needs": "rule-health.read"},
)
def get_rule_health(around: Around) -> RulesHealth:
    """Count how often each gate came up and was passed; names no patient (GATE-05)."""
    return RulesHealth(count_rule_health(around.store))
