"""Outcomes over HTTP: a unit's own, or those of a network at its hub; each reading is noted."""

from typing import Annotated, Any

from litestar import Request, get
from litestar.params import QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.errors import NotAllowedError
from api.use_cases.note_access import event_of
from api.use_cases.outcome_report import OutcomeReport
from api.use_cases.read_outcomes import OutcomeAsk, read_choice, read_outcomes

Day = Annotated[str, QueryParameter(max_length=10)]
Unit = Annotated[str, QueryParameter(max_length=64)]
Mix = Annotated[str, QueryParameter(max_length=400)]
_AT_A_HUB = "data-manager"


@get("/api/outcomes", tags=["outcomes"], sync_to_thread=True, opt={"needs": "outcomes.read"})
def get_outcomes(
    request: Request[Any, Any, Any],
    around: Around,
    from_on: Day = "",
    until_on: Day = "",
    unit: Unit = "",
    mix: Mix = "",
) -> OutcomeReport:
    """Count outcomes of a period and a case mix; several units stand by name and are not ranked."""
    asker, at_ms = request.state["asker"], around.environment.now_ms()
    if around.is_hub and asker.role != _AT_A_HUB:
        around.refusals.note(event_of(asker, "read", "outcomes", at_ms=at_ms, outcome="refused"))
        raise NotAllowedError(
            "Outcomes of a network are for its data manager. Log in as one, or ask your own unit."
        )
    ask = OutcomeAsk(from_on=from_on, until_on=until_on, unit=unit, mix=mix)
    # A wrong question is refused before anything is noted as handed out.
    read_choice(ask)
    note_asker(request, around, "read", "outcomes", why=_tell(ask))
    return read_outcomes(
        around.store,
        ask,
        now_ms=at_ms,
        on=around.today(),
        time_zone=around.environment.time_zone,
    )


def _tell(ask: OutcomeAsk) -> str:
    """Return what was asked, as the trail of access keeps it."""
    parts = {"from": ask.from_on, "until": ask.until_on, "unit": ask.unit, "mix": ask.mix}
    return ", ".join(f"{name} {value}" for name, value in parts.items() if value)
