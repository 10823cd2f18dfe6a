"""Clinical calculations over HTTP: the same JSON in and out as `crura calculate`."""

from typing import Annotated, Any

from litestar import Request, post
from litestar.openapi.datastructures import ResponseSpec
from litestar.openapi.spec import Example
from litestar.params import Body, Parameter

from api.clinical_rules.examples import EXAMPLES
from api.routes.asking_source import source_of
from api.routes.error_responses import CONTENT_TYPE, describe_refusal
from api.routes.surroundings import Around
from api.use_cases.answer_calculation import answer_calculation
from api.use_cases.errors import CalculationError

MAX_REQUEST_BYTES = 262_144
# Rule files never change once released, and this day is behind us: the page stays the same.
_EXAMPLE_ON = "2026-11-25"


def _request_examples() -> list[Example]:
    return [
        Example(id=kind, summary=f"A request of {kind}", value=dict(request))
        for kind, request in EXAMPLES.items()
    ]


def _answer_examples() -> list[Example]:
    return [
        Example(
            id=kind,
            summary=f"The answer to that of {kind}, from rule files for training",
            value=answer_calculation(kind, dict(request), on=_EXAMPLE_ON),
        )
        for kind, request in EXAMPLES.items()
    ]


def _refusal_examples() -> list[Example]:
    refused: list[tuple[str, str, dict[str, Any]]] = [
        ("missing", "liver-scores", {"inr": 1.6}),
        ("unknown key", "sizing", {"targets": [], "colour": "red"}),
        ("urgent", "antithrombotic-holds", {**EXAMPLES["antithrombotic-holds"], "urgent": True}),
    ]
    examples = []
    for summary, kind, request in refused:
        try:
            answer_calculation(kind, request, on=_EXAMPLE_ON)
        except CalculationError as error:
            content = describe_refusal(error)
            examples.append(Example(id=summary, summary=f"{kind}: {summary}", value=content))
    return examples


@post(
    "/api/calculate/{kind:str}",
    status_code=200,
    tags=["calculate"],
    request_max_body_size=MAX_REQUEST_BYTES,
    sync_to_thread=True,
    responses={
        200: ResponseSpec(
            dict[str, Any],
            generate_examples=False,
            description="What could be computed; a part that lacks an input says `missing`, one "
            "outside the domain `refusal`. Lengths in micrometres, volumes in microlitres, times "
            "in milliseconds. Not a certified medical device: local protocol decides.",
            examples=_answer_examples(),
        ),
        422: ResponseSpec(
            dict[str, Any],
            generate_examples=False,
            description="Nothing could be computed: problem details (RFC 9457) with one sentence "
            "and, where there is one, the answer.",
            media_type=CONTENT_TYPE,
            examples=_refusal_examples(),
        ),
    },
    opt={"needs": "calculation.make"},
)
def post_calculation(
    kind: Annotated[
        str,
        Parameter(
            description="What to calculate.",
            schema_extra={"enum": list(EXAMPLES)},
        ),
    ],
    data: Annotated[
        dict[str, Any],
        Body(
            description="One JSON object; unknown keys are refused by name.",
            examples=_request_examples(),
        ),
    ],
    around: Around,
    request: Request[Any, Any, Any],
) -> dict[str, Any]:
    """Calculate liver-scores, sizing, follow-up, antithrombotic-holds or device-label."""
    # Anybody may ask, and each answer takes a thread of everybody's.
    around.limits.spend("calculation", source_of(request))
    return answer_calculation(kind, data, on=around.today(), store=around.store)
