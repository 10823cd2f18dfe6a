"""What every FHIR resource of a case is built from: read values, codes, amounts, instants. Pure.

Twin of `pwa/src/clinical-rules/fhir-parts.ts`. A field with two answers is never read: `doubts`
tells both in a note, so that nothing is silently chosen.
"""

import base64
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.documents.opaque_id import opaque_id
from sync.merge import canonical_text

Resource = dict[str, Any]
UCUM = "http://unitsofmeasure.org"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_LARGEST = 2**53 - 1
# The first instant of the year 10000, which no FHIR instant reaches.
_END_MS = 253_402_300_800_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# Controls and blanks that a FHIR string does not hold; both engines name them one by one.
_BLANKS = re.compile("[\x00-\x20\x7f-\xa0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff]+")
_INSTANT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]{3})?)?"
    r"(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])"
)


class Told:
    """One record as a request tells it: `values` holds every value that stands, by field."""

    def __init__(self, content: Mapping[str, Any]) -> None:
        self.record: str = content["record"]
        self.is_struck: bool = content["is_struck"]
        self.by: str = content["by"]
        self.at_ms: int = content["at_ms"]
        self._values: Mapping[str, list[Any]] = content["values"]

    @property
    def kind(self) -> str:
        """Return the kind of the record."""
        return self.record.partition("/")[0]

    def shown(self, field: str) -> Any:  # noqa: ANN401  a field may hold any JSON
        """Return the one value of a field; None where none or several stand."""
        held = self._values.get(field, [])
        return held[0] if len(held) == 1 else None

    def text(self, field: str, part: str = "") -> str:
        """Return a text fit for FHIR, "" where none is shown."""
        value = self.parts(field).get(part) if part else self.shown(field)
        return clean(value) if isinstance(value, str) else ""

    def raw(self, field: str, part: str) -> str:
        """Return a text as it was entered, "" where none is shown."""
        value = self.parts(field).get(part)
        return value if isinstance(value, str) else ""

    def whole(self, field: str, part: str = "") -> int | None:
        """Return a whole number, None where none is shown; `1.0` is 1."""
        value = self.parts(field).get(part) if part else self.shown(field)
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if not isinstance(value, int) or isinstance(value, bool):
            return None
        return value if abs(value) <= _LARGEST else None

    def day(self, field: str, part: str = "") -> str:
        """Return a civil date, "" where none is shown."""
        value = self.text(field, part)
        return value if is_civil_date(value) else ""

    def parts(self, field: str) -> Mapping[str, Any]:
        """Return the parts of a structure, none where none is shown."""
        value = self.shown(field)
        return value if isinstance(value, dict) else {}

    def doubts(self, fields: Iterable[str]) -> list[str]:
        """Return one sentence for each of the fields in which several answers stand."""
        found = [(name, self._values.get(name, [])) for name in fields]
        return [
            f"{len(held)} answers stand for {name} and nobody has decided: "
            f"{clean(' | '.join(canonical_text(one) for one in held))}"
            for name, held in found
            if len(held) > 1
        ]

    def has_doubt(self, field: str) -> bool:
        """Say whether several answers stand in a field."""
        return len(self._values.get(field, [])) > 1

    def canonical(self, field: str) -> str:
        """Return every value that stands in a field as one text: equal texts are equal answers."""
        return canonical_text(self._values.get(field, []))

    def borrow(self, field: str, lender: "Told") -> "Told":
        """Return this record with a field as another record holds it."""
        held = {**self._values, field: lender._values.get(field, [])}
        own = {"record": self.record, "is_struck": self.is_struck, "by": self.by}
        return Told({**own, "at_ms": self.at_ms, "values": held})


def clean(text: str) -> str:
    """Return a text as a FHIR string may hold it: one plain blank for each run of others."""
    return _BLANKS.sub(" ", text).strip(" ")


def url_of(record: str) -> str:
    """Return the address of a record's resource inside a bundle."""
    return f"urn:uuid:{opaque_id(record)}"


def refer(record: str) -> Resource:
    """Return a reference to a record's resource."""
    return {"reference": url_of(record)}


def entry(record: str, resource: Resource) -> Resource:
    """Return a resource as an entry of a bundle."""
    return {"fullUrl": url_of(record), "resource": resource}


def concept(field: str, word: str) -> Resource:
    """Return a word of the record catalogue as a coded text; `field` is `kind.field`."""
    coding = {"system": f"urn:crura:catalogue:{field}", "code": word}
    return {"coding": [coding], "text": word.replace("-", " ")}


def amount(thousandths: int, unit: str) -> Resource:
    """Return a quantity of thousandths of a unit of UCUM."""
    return {"value": _plain(thousandths), "unit": unit, "system": UCUM, "code": unit}


def bare_amount(thousandths: int, unit: str) -> Resource:
    """Return a quantity in a unit that is known as text alone."""
    return {"value": _plain(thousandths), "unit": unit} if unit else {"value": _plain(thousandths)}


def _plain(thousandths: int) -> int | float:
    whole, rest = divmod(thousandths, 1_000)
    return thousandths / 1_000 if rest else whole


def absent(reason: str = "unknown") -> Resource:
    """Return why a value is missing, in the words of the standard."""
    return {"coding": [{"system": ABSENT, "code": reason}]}


def absent_extension() -> Resource:
    """Return the same for an element that is a plain value."""
    return {"extension": [{"url": ABSENT_EXTENSION, "valueCode": "unknown"}]}


def notes(sentences: Iterable[str]) -> Resource:
    """Return sentences as the element `note`, nothing where there are none."""
    found = [{"text": one} for one in sentences if one]
    return {"note": found} if found else {}


def instant_ms(text: str) -> int | None:
    """Return an instant in milliseconds since 1970, None for what is none."""
    if not _INSTANT.fullmatch(text) or not is_civil_date(text[:10]):
        return None
    return (datetime.fromisoformat(text) - _EPOCH) // timedelta(milliseconds=1)


def write_instant(ms: int) -> str:
    """Return an instant as FHIR writes it, in UTC; "" outside the years that it knows."""
    if not 0 <= ms < _END_MS:
        return ""
    at = _EPOCH + timedelta(milliseconds=ms)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def write_base64(content: bytes) -> str:
    """Return bytes as base64 (RFC 4648)."""
    return base64.b64encode(content).decode()
