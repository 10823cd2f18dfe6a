"""Papers of a case over HTTP as PDF, for devices that read care."""

import base64
from typing import Annotated, Any

import msgspec
from litestar import Request, Response, get, post
from litestar.params import JSONBody, PathParameter, QueryParameter

from api.record_catalogue.record_names import ID, CaseName, case_of
from api.routes.access_events import note_asker
from api.routes.surroundings import (
    BY_A_DEVICE_OR_COMMAND,
    Around,
    DeviceOrCommand,
)
from api.use_cases.make_documents import make_document_for

Language = Annotated[str, QueryParameter(max_length=35)]
# What is asked for stands in the trail: nothing gets there that is no name of a paper or a record.
_DOCUMENT = "^[a-z-]{1,40}$"


class PaperRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which paper, about which case (its id without the kind), in which language."""

    document: Annotated[str, msgspec.Meta(max_length=40, pattern=_DOCUMENT)]
    case: CaseName
    language: Annotated[str, msgspec.Meta(max_length=35)] = ""


class MadePaper(msgspec.Struct, frozen=True):
    """A paper as PDF in base64."""

    pdf: str
    language: str
    is_draft: bool


@get(
    "/api/documents/{document:str}/{case:str}",
    tags=["papers"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    media_type="application/pdf",
    sync_to_thread=True,
    opt={"needs": "papers.make"},
)
def get_document(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    around: Around,
    document: Annotated[str, PathParameter(max_length=40, pattern=_DOCUMENT)],
    case: Annotated[str, PathParameter(max_length=64, pattern=f"^{ID}$")],
    language: Language = "",
) -> Response[bytes]:
    """Give a paper about a case (its id without the kind), as the record stands now.

    `Content-Language` says what it is written in; `Crura-Words` is `draft` where nobody has
    reviewed the sentences of that language.
    """
    note_asker(request, around, "read", "paper", (case_of(case),), document)
    made = make_document_for(
        around.store, device, document, case, language=language, on=around.today()
    )
    return Response(
        made.pdf,
        media_type="application/pdf",
        headers={
            "Content-Language": made.language,
            "Crura-Words": "draft" if made.is_draft else "source",
            "Cache-Control": "no-store",
        },
    )


@post(
    "/api/papers",
    status_code=200,
    tags=["papers"],
    dependencies=BY_A_DEVICE_OR_COMMAND,
    sync_to_thread=True,
    opt={"needs": "papers.make"},
)
def post_paper(
    request: Request[Any, Any, Any],
    device: DeviceOrCommand,
    data: JSONBody[PaperRequest],
    around: Around,
) -> MadePaper:
    """Give a paper as the tablet asks for it, as the record stands now."""
    note_asker(request, around, "read", "paper", (case_of(data.case),), data.document)
    made = make_document_for(
        around.store, device, data.document, data.case, language=data.language, on=around.today()
    )
    return MadePaper(base64.b64encode(made.pdf).decode(), made.language, made.is_draft)
