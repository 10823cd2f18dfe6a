"""A record for the network as it leaves the unit: pseudonyms, moved days, nothing unlisted (RG8).

The last door: what is not a field of the catalogue, or not of its type, goes no further.
"""

import re
from collections.abc import Mapping
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.outcomes.registry_rows import MORE_DOUBTS
from api.record_catalogue.catalogue import REGISTRY, Catalogue, Field
from api.registry.date_shift import find_shift, shift_date
from api.registry.pseudonyms import make_pseudonym, pseudonym_of
from api.registry.told_case import RegistryRecord

# Of a device and no patient: moved, it would name another month than the label.
_OF_DEVICES = ("expires_on",)
_OWN = "registry_"
# Names of units, lots and identifiers: no text that a person wrote in sentences fits.
_TEXT = re.compile(r"[A-Za-z0-9./_+-]{1,40}")


def disguise(
    record: RegistryRecord, site_key: bytes, catalogue: Catalogue, *, unit: str
) -> tuple[str, dict[str, Any]]:
    """Return name and fields of a record as the network may know it.

    Parameters
    ----------
    unit : str
        How the hub knows the unit.

    Raises
    ------
    ValueError
        The record is of no kind that a unit writes for the network: a mistake of the program.
    """
    kind = catalogue.kinds.get(record.kind)
    if kind is None or kind.stream != REGISTRY or not record.kind.startswith(_OWN):
        message = f"{record.kind} is nothing that a unit tells the network. Name a registry kind."
        raise ValueError(message)
    days = find_shift(site_key, record.subject)
    known = {field.id: field for field in kind.fields}
    told = {**record.fields, **({"unit": unit} if "unit" in known else {})}
    fields = {}
    for name, value in told.items():
        shown = _tell(known.get(name), value, site_key, days, known)
        if shown is not None:
            fields[name] = shown
    return f"{record.kind}/{make_pseudonym(site_key, record.kind, record.name)}", fields


def _tell(
    field: Field | None, value: object, site_key: bytes, days: int, known: Mapping[str, Field]
) -> object:
    """Return what may be told of a value, None where nothing may."""
    match field.type if field else "", value:
        case "reference", str():
            return pseudonym_of(site_key, value)
        case "date", str() if is_civil_date(value):
            return value if field and field.id in _OF_DEVICES else shift_date(value, days)
        case ("choice", str()) if field:
            return value if value in field.values else None
        case ("boolean", bool()) | ("structure", dict()):
            return value
        case "whole_number", int() if not isinstance(value, bool):
            return value
        case "text", str() if _TEXT.fullmatch(value):
            return value
        case "list", list():
            # Names of fields alone, and of what a case may lack.
            return [one for one in value if one in known or one in MORE_DOUBTS]
    return None
