"""Says whether a value fits its field; for stories alone, since a real entry is never refused."""

import re
from typing import Any

from api.record_catalogue.catalogue import Catalogue, Field

_DATE = re.compile(r"^\d{4}-\d{2}-\d{2}$")
_INSTANT = re.compile(r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}.*(?:Z|[+-]\d{2}:\d{2})$")
_REFERENCE = re.compile(r"^[a-z_]{1,40}/[A-Za-z0-9-]{1,64}$")


def misfits(catalogue: Catalogue, record: str, fields: dict[str, Any]) -> list[str]:
    """Return one clause for each field that the catalogue would not write like this."""
    kind = catalogue.kinds.get(record.split("/", 1)[0])
    if kind is None:
        return [f"{record} is of no kind in the catalogue"]
    known = {field.id: field for field in kind.fields}
    found = []
    for name, content in fields.items():
        if name not in known:
            found.append(f"{kind.id} has no field {name}")
        elif content is not None:
            clause = _misfit(known[name], content)
            if clause:
                found.append(f"{kind.id}.{name} {clause}")
    return found


def _misfit(field: Field, content: Any) -> str:  # noqa: ANN401  a field may hold any JSON
    if field.type == "structure":
        return _structure_misfit(field, content)
    if field.type == "list":
        if not isinstance(content, list):
            return "has to be a list"
        unknown = [part for part in content if field.values and part not in field.values]
        return f"does not allow {unknown[0]!r}" if unknown else ""
    return _plain_misfit(field.type, field.values, content)


def _structure_misfit(field: Field, content: Any) -> str:  # noqa: ANN401
    if not isinstance(content, dict):
        return "has to be a structure"
    inner = {str(part["id"]): part for part in field.fields}
    for key, part in content.items():
        if not inner or part is None:
            continue
        if key not in inner:
            return f"has no part {key}"
        allowed = inner[key].get("values", ())
        values = tuple(allowed) if isinstance(allowed, (list, tuple)) else ()
        clause = _plain_misfit(str(inner[key]["type"]), values, part)
        if clause:
            return f"part {key} {clause}"
    return ""


def _plain_misfit(type_: str, values: tuple[Any, ...], content: Any) -> str:  # noqa: ANN401
    fits = {
        "text": lambda: isinstance(content, str),
        "choice": lambda: content in values,
        "date": lambda: isinstance(content, str) and _DATE.match(content) is not None,
        "instant": lambda: isinstance(content, str) and _INSTANT.match(content) is not None,
        "reference": lambda: isinstance(content, str) and _REFERENCE.match(content) is not None,
        "whole_number": lambda: isinstance(content, int) and not isinstance(content, bool),
        "boolean": lambda: isinstance(content, bool),
        "list": lambda: isinstance(content, list),
        "structure": lambda: isinstance(content, dict),
    }[type_]()
    return "" if fits else f"does not allow {content!r} ({type_})"
