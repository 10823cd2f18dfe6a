"""Records made from the catalogue alone, with a text of our own in every place that takes one.

A field of next year is filled too, since nothing here names a field.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from api.record_catalogue.catalogue import Catalogue, Kind
from sync.merge_policies import MergePolicy

# What a text says at a place, as "patient.referred_by.name".
DrawText = Callable[[str], str]
ON = "2026-03-10"
NUMBER = 12_000


def text_places(catalogue: Catalogue, kinds: Iterable[str] = ()) -> list[str]:
    """Return every place of the catalogue that takes free text, of all kinds or of some."""
    named = list(kinds) or list(catalogue.kinds)
    return [place for kind in named for place in _places_of(catalogue.kinds[kind])]


def fill_record(kind: Kind, draw: DrawText, references: Mapping[str, str]) -> dict[str, Any]:
    """Return a value for every field of a kind; ``references`` are records by name of a field.

    A field that goes on along a rank stands at its beginning.
    """
    return {
        field.id: field.rank[0]
        if field.merge is MergePolicy.FURTHEST
        else _value(_described(field), f"{kind.id}.{field.id}", draw, references)
        for field in kind.fields
    }


def replace_texts(
    kind: Kind, held: Mapping[str, Any], draw: DrawText, kept: frozenset[str] = frozenset()
) -> dict[str, Any]:
    """Return what is to be written so that another text stands in every place of a record.

    Whatever the record lacks gets one too; places that are ``kept`` stay as they are.
    """
    changed: dict[str, Any] = {}
    for field in kind.fields:
        place = f"{kind.id}.{field.id}"
        if field.type == "text" and place not in kept:
            changed[field.id] = draw(place)
        elif field.type == "structure":
            before = held.get(field.id)
            texts = {
                part["id"]: draw(f"{place}.{part['id']}")
                for part in field.fields
                if part["type"] == "text" and f"{place}.{part['id']}" not in kept
            }
            if texts:
                changed[field.id] = {**(before if isinstance(before, dict) else {}), **texts}
    return changed


def _places_of(kind: Kind) -> Iterator[str]:
    for field in kind.fields:
        place = f"{kind.id}.{field.id}"
        if field.type == "text" or (field.type == "list" and not field.values):
            yield place
        for part in field.fields:
            if part["type"] == "text" or (part["type"] == "list" and not part.get("values")):
                yield f"{place}.{part['id']}"


def _described(field: Any) -> dict[str, Any]:
    return {"type": field.type, "values": field.values, "fields": field.fields, "id": field.id}


def _value(
    field: Mapping[str, Any], place: str, draw: DrawText, references: Mapping[str, str]
) -> Any:
    values = field.get("values") or ()
    match field["type"]:
        case "whole_number":
            return NUMBER
        case "boolean":
            return True
        case "date":
            return ON
        case "instant":
            return f"{ON}T09:00:00+00:00"
        case "reference":
            return references.get(str(field["id"]), "staff/s-1")
        case "choice":
            return values[0]
        case "list":
            return list(values[:1]) or [draw(place)]
        case "structure" if field.get("fields"):
            parts = field["fields"]
            return {
                part["id"]: _value(part, f"{place}.{part['id']}", draw, references)
                for part in parts
            }
        case "structure":
            # Described nowhere: whatever a newer version may put there.
            return {"note": draw(place)}
        case _:
            return draw(place)
