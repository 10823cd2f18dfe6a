"""Checks a FHIR R4B bundle before it leaves: by the library, and by what the library lets pass.

The library takes unknown codes, references to nothing, empty lists, periods that end before they
begin, units that are none and LOINC codes with a wrong check digit; each is looked for here.
"""

import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from typing import Any

from api.clinical_rules.errors import ClinicalRuleError

# The codes of the Unified Code for Units of Measure that an export uses; each is read by a second
# library in the tests.
UCUM_CODES = frozenset({"mm", "mL", "mg/dL", "umol/L", "mmol/L", "g/dL", "g/L", "10*9/L", "{INR}"})
# The library shortens this value set to its first codes and a plus.
_OBSERVATION_STATUS = ("corrected", "cancelled", "entered-in-error", "unknown")
_UCUM = "http://unitsofmeasure.org"
_LOINC = "http://loinc.org"
_LOINC_CODE = re.compile(r"([0-9]{1,5})-([0-9])")


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
        *_find_strange_units(bundle),
        *_find_false_loinc(bundle),
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
        codes = list(extra.get("enum_values") or ()) if isinstance(extra, dict) else []
        if "+" in codes and (type(model).__name__, name) == ("Observation", "status"):
            codes = [*codes[: codes.index("+")], *_OBSERVATION_STATUS]
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
        if isinstance(start, str) and isinstance(end, str) and _moment(end) < _moment(start):
            yield f"{path} ends ({end}) before it begins ({start})"


def _moment(text: str) -> datetime:
    """Return an instant, or the first of a day, month or year; the library has read it before."""
    text += {4: "-01-01", 7: "-01"}.get(len(text), "")
    at = datetime.fromisoformat(text)
    return at if at.tzinfo else at.replace(tzinfo=UTC)


def _find_strange_units(bundle: dict[str, Any]) -> Iterator[str]:
    for path, part in _walk(bundle, "Bundle"):
        if part.get("system") == _UCUM and part.get("code") not in UCUM_CODES:
            yield f"{path}.code is {part.get('code')!r}, no unit of UCUM that is known here"


def _find_false_loinc(bundle: dict[str, Any]) -> Iterator[str]:
    for path, part in _walk(bundle, "Bundle"):
        if part.get("system") == _LOINC and not is_loinc_code(part.get("code")):
            yield f"{path}.code is {part.get('code')!r}, no code of LOINC by its check digit"


def is_loinc_code(code: object) -> bool:
    """Say whether a text has the form of a LOINC code with its check digit (mod 10).

    Examples
    --------
    >>> is_loinc_code("14631-6"), is_loinc_code("14631-5")
    (True, False)
    """
    found = _LOINC_CODE.fullmatch(code) if isinstance(code, str) else None
    if not found:
        return False
    total = 0
    for place, digit in enumerate(reversed(found[1])):
        # Every second digit from the right counts double, and the digits of the double are added.
        doubled = int(digit) * (2 if place % 2 == 0 else 1)
        total += doubled // 10 + doubled % 10
    return (10 - total % 10) % 10 == int(found[2])


def _walk(content: Any, path: str) -> Iterator[tuple[str, dict[str, Any]]]:  # noqa: ANN401
    if isinstance(content, dict):
        yield path, content
        for name, part in content.items():
            yield from _walk(part, f"{path}.{name}")
    elif isinstance(content, list):
        for place, part in enumerate(content):
            yield from _walk(part, f"{path}[{place}]")
