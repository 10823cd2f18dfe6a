"""Reads the vectors that both languages answer to, and makes real operations of named ones."""

import json
from pathlib import Path
from typing import Any

import pytest

from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation

FOLDER = Path(__file__).resolve().parents[2] / "conformance"


def cases(path: str) -> list[Any]:
    """Return the cases of one vector file as pytest parameters, named by their description."""
    found = json.loads((FOLDER / path).read_text())["cases"]
    assert found, f"{path} holds no case"
    return [pytest.param(case, id=case["description"]) for case in found]


def named_operations(parts: list[dict[str, Any]]) -> dict[str, Operation]:
    """Return real operations by name; each may name those before it."""
    made: dict[str, Operation] = {}
    for part in parts:
        name = part["name"]
        device = name[0]
        made[name] = make_operation(
            device=device,
            epoch=f"ep{name}",
            counter=1,
            previous="",
            stream="care",
            record="puncture/p-1",
            stamp=str(Stamp(part["at_ms"], 0, part.get("stamp_device", device))),
            body=Body(
                salt="0" * 32,
                by=part["by"],
                tapped_by=part["by"],
                catalogue=1,
                set=part.get("set", {}),
                over={
                    field: tuple(made[seen].reference for seen in names)
                    for field, names in part.get("over", {}).items()
                },
                retract=tuple(made[target].reference for target in part.get("retract", [])),
                again=made[part["again"]].reference if "again" in part else "",
            ),
        )
    return made
