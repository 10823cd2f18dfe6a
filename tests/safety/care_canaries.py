"""A unit whose every care field holds a word or number that stands nowhere else, and its reading.

Made from the catalogue, so that a field of next year is planted too.
"""

import base64
import gzip
import hashlib
import io
import json
from collections.abc import Iterator
from typing import Any

import pypdf
from litestar.serialization import decode_json

from api.record_catalogue.catalogue import Catalogue
from api.storage.unit_store import UnitStore
from sync.merge_policies import MergePolicy
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

CASE, PATIENT, VISIT = "case/c-1", "patient/p-1", "visit/v-1"
TARGET, PUNCTURE = "target/t-1", "puncture/u-1"
WORD, NUMBER, DAY = "zqcanary", 913_700_000, "1987-04-03"
LOT = f"{WORD}-LOT"
PICTURE = b"\x89PNG\r\n\x1a\n" + WORD.encode() * 20
REFERENCES = {
    "case": CASE,
    "patient": PATIENT,
    "visit": VISIT,
    "target": TARGET,
    "puncture": PUNCTURE,
    "package": "package_opened/k-1",
    "imported_in": "past_import/i-1",
}
# Who has no business with care; what a data manager is given for a reason is asked apart.
READ_NO_CARE = (
    *("public", "booking", "waiting", "revoked"),
    *("booking-clerk", "unit-admin", "auditor", "data-manager", "training"),
)


class Canaries:
    """Draws values that stand nowhere else."""

    def __init__(self) -> None:
        self.count = 0

    def of(self, kind: str, **field: Any) -> Any:
        self.count += 1
        word = f"{WORD}{self.count:04d}"
        match kind:
            case "whole_number":
                return NUMBER + self.count
            case "boolean":
                return True
            case "date":
                return DAY
            case "instant":
                return f"{DAY}T09:00:00+00:00"
            case "list":
                return [word]
            case "structure":
                return {
                    one["id"]: self.of(one["type"], fields=one.get("fields", ()))
                    for one in field["fields"]
                }
            case _:
                return word


def plant_canaries(store: UnitStore) -> int:
    """Write one record of every care kind, twice where answers may differ; return how many words.

    Beside them stand a patient, a visit and a session as a booking desk has them.
    """
    drawn = Canaries()
    with store.transaction():
        story = Story(store, device="tablet-story", now_ms=NOON_MS)
        story.write(
            PATIENT,
            family_name="Greyfen",
            given_name="Ada",
            local_id="TH-0042",
            phone="01632 1",
            address="1 Quay Street",
            letter_language="en",
            identity="confirmed",
        )
        session = story.session("s-1", "2026-03-20")
        story.write(
            VISIT,
            patient=PATIENT,
            case=CASE,
            label="Scope check",
            window={"from": "2026-03-10", "to": "2026-03-30"},
            owner_role="booking",
        )
        story.book(VISIT, session, "2026-03-20")
        for name, fields in care_records(store.catalogue, drawn):
            story.write(name, **fields)
        # A second answer beside the first: what waits for a person shows both.
        story.write(CASE, sees=False, indication=f"{WORD}9999")
        story.write(TARGET, sees=False, label=f"{WORD}9998")
    return drawn.count


def care_records(catalogue: Catalogue, drawn: Canaries) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield a record of each care kind with a canary in every field that is no reference."""
    ids = {"case": CASE, "target": TARGET, "puncture": PUNCTURE, "picture": "picture/i-1"}
    kinds = [kind for kind in catalogue.kinds.values() if kind.stream == "care"]
    for kind in sorted(kinds, key=lambda one: one.id != "case"):
        fields = {}
        for field in kind.fields:
            if field.type == "reference":
                fields[field.id] = REFERENCES[field.id]
            elif field.merge is MergePolicy.FURTHEST:
                fields[field.id] = field.rank[-1]
            elif (kind.id, field.id) == ("picture", "file"):
                digest = hashlib.sha256(PICTURE).hexdigest()
                fields["file"] = {
                    "sha256": digest,
                    "bytes": len(PICTURE),
                    "media_type": "image/png",
                    "width_px": 8,
                    "height_px": 8,
                }
            else:
                fields[field.id] = drawn.of(field.type, fields=field.fields)
        if kind.id == "coil_placed":
            fields["device"] |= {"lot": LOT, "lot_unknown": False}
        yield ids.get(kind.id, f"{kind.id}/r-1"), fields


def read_out(answer: Any) -> str:
    """Return everything an answer says: headers, text, what is squeezed or printed in it."""
    said = [str(answer.headers), answer.content.decode("utf-8", "replace")]
    if answer.content[:2] == b"\x1f\x8b":
        said.append(gzip.decompress(answer.content).decode("utf-8", "replace"))
    if answer.content[:4] == b"%PDF":
        said.append(_read_pdf(answer.content))
    if "json" in answer.headers.get("content-type", ""):
        content = decode_json(answer.content)
        said.append(json.dumps(content, ensure_ascii=False))
        pdf = content.get("pdf") if isinstance(content, dict) else None
        if pdf:
            said.append(_read_pdf(base64.b64decode(pdf)))
    return "\n".join(said)


def _read_pdf(content: bytes) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)


def canaries_in(said: str) -> list[str]:
    """Return the canaries that stand in a text."""
    return [mark for mark in (WORD, str(NUMBER)[:5], DAY) if mark in said]
