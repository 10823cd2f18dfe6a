"""Calls single functions of the TypeScript twin, to hold them against a library."""

import json
import subprocess
from collections.abc import Iterable
from typing import Any

from tests.unit.api.twin_engine import PWA, node

CLINICAL_RULES = "src/clinical-rules"


def call_there(module: str, function: str, calls: Iterable[tuple[Any, ...]]) -> list[Any]:
    """Return what an exported function of a module below `pwa` returns for each call."""
    lines = [
        json.dumps({"module": module, "function": function, "arguments": call}) for call in calls
    ]
    ended = subprocess.run(
        [node(), f"{CLINICAL_RULES}/call-lines.mjs"],
        cwd=PWA,
        input="\n".join(lines),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    answers = [json.loads(line) for line in ended.stdout.splitlines()]
    assert len(answers) == len(lines)
    return answers
