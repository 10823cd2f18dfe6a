"""The vectors of the papers: a case as shown, changed as a vector says, and paths into a paper."""

import copy
import json
from pathlib import Path
from typing import Any

import msgspec

from api.documents.shown_case import ShownCase
from api.use_cases.make_documents import choose_words_for, write_paper
from tests.unit.api.twin_engine import packaged_rule_book

FOLDER = Path(__file__).resolve().parents[2] / "conformance/documents"
ON = "2026-03-16"


def shown_case(name: str, change: dict[str, Any]) -> dict[str, Any]:
    """Return a case as shown with the changes of a vector."""
    held = copy.deepcopy(json.loads((FOLDER / f"shown_cases/{name}.json").read_text()))
    for key, content in change.items():
        if key == "records":
            held["records"] = [one for one in held["records"] if one["record"] in content]
        elif key == "add":
            held["records"] += copy.deepcopy(content)
        elif key == "conflicts":
            for record, fields in content.items():
                found = _find(held, record)
                found["conflicts"] = fields
                for field in fields:
                    found["shows"].pop(field, None)
        elif "." in key:
            name, field = key.split(".")
            found = _find(held, name)
            found["shows"][field] = content
            if content is None:
                del found["shows"][field]
        else:
            held[key] = content
    return held


def _find(held: dict[str, Any], name: str) -> dict[str, Any]:
    if name in ("itself", "patient"):
        return held[name]
    everything = [held["itself"], held["patient"], *held["records"], *held["visits"]]
    everything += held["stock"]
    # A record that the vector leaves out is put by where it belongs.
    return next(one for one in everything if one["record"] == name)


def write(given: dict[str, Any]) -> dict[str, Any]:
    """Return the content of the paper that a vector asks for."""
    return write_shown(
        given["paper"], given["language"], shown_case(given["case"], given["change"])
    )


def write_shown(paper: Any, language: str, case: dict[str, Any]) -> dict[str, Any]:
    """Return the content of a paper about a case as shown."""
    written = write_paper(
        paper,
        msgspec.convert(case, ShownCase),
        packaged_rule_book(ON),
        choose_words_for(paper, language),
    )
    return msgspec.to_builtins(written)


def step_into(content: Any, path: str) -> Any:
    """Return what lies at a path: numbers, keys, headings and first cells."""
    for step in path.split("/"):
        if isinstance(content, dict):
            content = content[step]
        elif step.isdigit():
            content = content[int(step)]
        else:
            content = next(
                one
                for one in content
                if (one.get("heading") if isinstance(one, dict) else one[0]) == step
            )
    return content
