"""Checks a FHIR R4B bundle before it leaves: by the library, and by what the library lets pass.

The library takes unknown codes, references to nothing, empty lists and periods that end before they
begin; each is looked for here.
"""

import json
from collections import Counter
from collections.abc import Iterator
from functools import cache
from typing import Any

from api.clinical_rules.errors import ClinicalRuleError


class FhirError(ClinicalRuleError):
    """The bundle breaks the standard; nothing of it may leave."""


def check_bundle(bundle: dict[str, Any]) -> bytes:
    """Return a sound bundle as JSON text.

    Raises
    ------
    FhirError
        The first fault, with the path where it stands.
    """
    model = _bundle_model()
    try:
        read = model.model_validate(bundle)
    except ValueError as error:
        first = str(error).splitlines()[0]
        message = f"The export breaks FHIR R4B ({first[:160]}). Tell the data manager."
        raise FhirError(message) from error
    faults = [
        *_find_strange_codes(read, "Bundle"),
        *_find_dangling(bundle),
        *_find_turned(bundle),
        *_find_empty(bundle),
    ]
    if faults:
        message = f"The export breaks FHIR R4B ({faults[0][:160]}). Tell the data manager."
        raise FhirError(message)
    return json.dumps(bundle, ensure_ascii=False, indent=1).encode()


@cache
def _bundle_model() -> Any:  # noqa: ANN401  a class made at run time
    # Two seconds to load, which only an export needs.
    from fhir.resources.R4B.bundle import Bundle

    return Bundle


def _find_strange_codes(model: Any, path: str) -> Iterator[str]:  # noqa: ANN401
    """Yield where a code is none of those that the standard requires."""
    for name, field in type(model).model_fields.items():
        value = getattr(model, name, None)
        if value is None:
            continue
        extra = field.json_schema_extra
        codes = extra.get("enum_values") if isinstance(extra, dict) else None
        for place, one in enumerate(value if isinstance(value, list) else [value]):
            where = f"{path}.{name}" + (f"[{place}]" if isinstance(value, list) else "")
            if codes and isinstance(one, str) and one not in codes:
                yield f"{where} is {one!r}, none of {', '.join(map(str, codes))}"
            elif hasattr(type(one), "model_fields"):
                yield from _find_strange_codes(one, where)


def _find_dangling(bundle: dict[str, Any]) -> Iterator[str]:
    urls = Counter(entry.get("fullUrl") for entry in bundle.get("entry", ()))
    yield from (f"{url} stands twice" for url, count in urls.items() if count > 1)
    for path, part in _walk(bundle, "Bundle"):
        if "reference" in part and part["reference"] not in urls:
            yield f"{path} names {part['reference']}, which is not in the bundle"


def _find_empty(bundle: dict[str, Any]) -> Iterator[str]:
    for path, part in _walk(bundle, "Bundle"):
        yield from (f"{path}.{name} is empty" for name, one in part.items() if one in ([], {}, ""))


def _find_turned(bundle: dict[str, Any]) -> Iterator[str]:
    for path, part in _walk(bundle, "Bundle"):
        start, end = part.get("start"), part.get("end")
        if isinstance(start, str) and isinstance(end, str) and end < start:
            yield f"{path} ends ({end}) before it begins ({start})"


def _walk(content: Any, path: str) -> Iterator[tuple[str, dict[str, Any]]]:  # noqa: ANN401
    if isinstance(content, dict):
        yield path, content
        for name, part in content.items():
            yield from _walk(part, f"{path}.{name}")
    elif isinstance(content, list):
        for place, part in enumerate(content):
            yield from _walk(part, f"{path}[{place}]")
