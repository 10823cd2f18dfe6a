"""Writes the JSON Schema of every rule file from the row types that the engine reads them with.

``python -m tests.documents.describe_rule_files`` after a row type has changed; a test compares.
"""

import json
from pathlib import Path
from typing import Any

import msgspec

from api.clinical_rules.row_types import ROW_TYPES

SCHEMA = Path(__file__).resolve().parents[2] / "api/clinical_rules/data/rule_file.schema.json"


def describe_rows() -> dict[str, Any]:
    """Return the schemas of the rows and where each stands: by folder, or by whole name."""
    types = list(ROW_TYPES.values())
    found, parts = msgspec.json.schema_components(types, ref_template="#/$defs/{name}")
    return {
        "$defs": dict(sorted(parts.items())),
        "allOf": [
            {
                "if": {"properties": {"name": {"pattern": _pattern(name)}}},
                "then": {"properties": {"rows": {"items": schema}}},
            }
            for name, schema in zip(ROW_TYPES, found, strict=True)
        ],
    }


def write_schema(whole: dict[str, Any]) -> str:
    """Return the whole schema as it lies on disk."""
    described = {**whole, **describe_rows()}
    return "{\n" + ",\n".join(_write_lines(described, depth=1)) + "\n}\n"


def _write_lines(content: dict[str, Any], *, depth: int) -> list[str]:
    """Return the keys of an object, one a line; those of ``properties`` and ``$defs`` below it."""
    lines = []
    for key, part in content.items():
        if key in ("properties", "$defs") and depth == 1:
            inner = ",\n".join(_write_lines(part, depth=depth + 1))
            lines.append(f" {json.dumps(key)}: {{\n{inner}\n }}")
        else:
            lines.append(" " * depth + f"{json.dumps(key)}: {json.dumps(part)}")
    return lines


def _pattern(name: str) -> str:
    """Return which names a row type is for: a whole name, or a folder without its own names."""
    if "/" in name:
        return f"^{name}$"
    others = [other.partition("/")[2] for other in ROW_TYPES if other.startswith(f"{name}/")]
    but = "".join(f"(?!{other}$)" for other in others)
    return f"^{name}/{but}"


if __name__ == "__main__":
    SCHEMA.write_text(write_schema(json.loads(SCHEMA.read_text())))
