"""Runs requests through both engines and compares their answers byte for byte."""

import importlib.util
import json
import random
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files

PWA = Path(__file__).resolve().parents[3] / "pwa"
ON = "2026-11-25"


def seeded(seed: int) -> random.Random:
    """Return a source of chance that repeats itself, for drawing requests."""
    return random.Random(seed)


def packaged_rule_book(on: str = ON) -> RuleBook:
    """Return the packaged rule files as in force on a day."""
    return RuleBook(read_packaged_rule_files(), on=on)


def node() -> str:
    """Return the Node that the PWA is built with: the system's, or that of the Python wheel."""
    spec = importlib.util.spec_from_file_location("run_npm", PWA / "run_npm.py")
    assert spec is not None
    assert spec.loader is not None
    run_npm = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(run_npm)
    _, environment = run_npm.npm_command()
    found = shutil.which("node", path=environment["PATH"])
    assert found is not None
    return found


def answer_here(kind: str, request: Any, rule_book: RuleBook) -> dict[str, object]:
    """Return the answer of the Python engine in the form that the other engine writes."""
    try:
        return {"answer": calculate(kind, json.dumps(request).encode(), rule_book)}
    except CalculationRefusedError as error:
        return {"refused": str(error), "answer": error.answer}


def answer_there(kind: str, requests: Sequence[Any], on: str = ON) -> list[str]:
    """Return the answers of the TypeScript engine, one JSON text for each request."""
    lines = "".join(
        json.dumps({"kind": kind, "request": request, "on": on}) + "\n" for request in requests
    )
    ended = subprocess.run(
        [node(), "src/clinical-rules/calculate-lines.mjs"],
        cwd=PWA,
        input=lines,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    return ended.stdout.splitlines()


def assert_engines_agree(kind: str, requests: Sequence[Any], on: str = ON) -> None:
    """Assert that both engines write the same JSON for every request."""
    rule_book = packaged_rule_book(on)
    there = answer_there(kind, requests, on)
    assert len(there) == len(requests)
    for request, text in zip(requests, there, strict=True):
        here = answer_here(kind, request, rule_book)
        written = json.dumps(here, ensure_ascii=False, separators=(",", ":"))
        assert written == text, json.dumps(request)
