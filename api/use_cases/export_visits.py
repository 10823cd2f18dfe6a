"""Export every visit as FHIR R4B, checked before it leaves."""

from api.documents.fhir_bundle import make_bundle
from api.documents.fhir_checks import FhirError, check_bundle
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.read_clinic import read_clinic
from api.use_cases.unit_settings import read_unit_settings


def export_visits(store: UnitStore, *, on: str, now_ms: int, time_zone: str) -> bytes:
    """Return a FHIR R4B bundle as JSON text.

    Raises
    ------
    CalculationError
        It would break the standard; nothing is exported.
    """
    minutes = read_unit_settings(store, on=on).calendar_minutes
    clinic = read_clinic(store, time_zone=time_zone)
    try:
        return check_bundle(make_bundle(clinic, now_ms=now_ms, minutes=minutes))
    except FhirError as error:
        raise CalculationError(str(error)) from error
