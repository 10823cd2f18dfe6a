"""What the data manager needs for privacy, over HTTP: all about a patient, and what is due."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody

from api.record_catalogue.record_names import MAX_RECORD_LENGTH
from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.export_patient import (
    LONGEST_REASON,
    SHORTEST_REASON,
    PatientExport,
    export_patient,
)
from api.use_cases.find_patient import find_noted_patient
from api.use_cases.retention import ClassReport, read_retention_classes, report_retention


class PatientExportRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Whose export, by record or local number, and why: the reason stands in the access log."""

    patient: Annotated[str, msgspec.Meta(min_length=1, max_length=MAX_RECORD_LENGTH)]
    why: Annotated[str, msgspec.Meta(min_length=SHORTEST_REASON, max_length=LONGEST_REASON)]


class RetentionReport(msgspec.Struct, frozen=True):
    """Each class of what is kept, with what is due by the unit's own rule."""

    on: str
    classes: list[ClassReport]


@post(
    "/api/patient-exports",
    status_code=200,
    tags=["privacy"],
    sync_to_thread=True,
    opt={"needs": "patient-export.make", "limit": "export"},
)
def post_patient_export(
    request: Request[Any, Any, Any], data: JSONBody[PatientExportRequest], around: Around
) -> PatientExport:
    """Give all that the unit holds about one patient, and who had it."""

    def note(records: tuple[str, ...]) -> None:
        note_asker(request, around, "export", "patient", records, data.why)

    patient = find_noted_patient(around.store, data.patient, note=note)
    now_ms = around.environment.now_ms()
    return export_patient(around.store, patient, now_ms=now_ms, on=around.today())


@get(
    "/api/retention",
    tags=["privacy"],
    sync_to_thread=True,
    opt={"needs": "retention.read"},
)
def get_retention(request: Request[Any, Any, Any], around: Around) -> RetentionReport:
    """Say what of each class is held and what is due; nothing is deleted."""
    note_asker(request, around, "read", "retention")
    today = around.today()
    classes = read_retention_classes(around.store.folder)
    return RetentionReport(today, report_retention(around.store, classes, today=today))
