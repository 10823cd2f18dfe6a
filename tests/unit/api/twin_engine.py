"""Runs requests through both engines and compares their answers byte for byte.

The TypeScript engine runs in one Node process that lives as long as the tests do; requests go to
it in batches, so that memory stays flat however many there are.
"""

import atexit
import importlib.util
import json
import random
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError, ShapeError
from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.inner_engines import INNER

PWA = Path(__file__).resolve().parents[3] / "pwa"
ON = "2026-11-25"
BATCH = 500
LONGEST_S = 120


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


class TwinEngine:
    """The TypeScript engine in a Node process of its own."""

    def __init__(self) -> None:
        self._faults = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        self._process = subprocess.Popen(
            [node(), "src/clinical-rules/calculate-lines.mjs"],
            cwd=PWA,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._faults,
        )

    def answer(self, kind: str, requests: Sequence[Any], on: str = ON) -> list[str]:
        """Return one JSON text for each request."""
        inward, outward = self._process.stdin, self._process.stdout
        assert inward is not None
        assert outward is not None
        lines = [json.dumps({"kind": kind, "request": one, "on": on}) + "\n" for one in requests]

        def write() -> None:
            inward.write("".join(lines).encode())
            inward.flush()

        # Written beside the reading: both pipes are short, and each side would wait for the other.
        writer = threading.Thread(target=write)
        guard = threading.Timer(LONGEST_S, self._process.kill)
        writer.start()
        guard.start()
        answers = [outward.readline() for _ in lines]
        guard.cancel()
        writer.join()
        assert all(answers), self._tell_faults()
        return [one.decode().removesuffix("\n") for one in answers]

    def close(self) -> None:
        """End the process by closing its input."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(timeout=20)

    def _tell_faults(self) -> str:
        self._faults.seek(0)
        return self._faults.read().decode()


@cache
def twin_engine() -> TwinEngine:
    """Return the one engine of this run; it ends with the run."""
    engine = TwinEngine()
    atexit.register(engine.close)
    return engine


def answer_here(kind: str, request: Any, rule_book: RuleBook) -> dict[str, object]:
    """Return the answer of the Python engine in the form that the other engine writes."""
    try:
        if kind in INNER:
            return {"answer": INNER[kind](request, rule_book)}
        return {"answer": calculate(kind, json.dumps(request).encode(), rule_book)}
    except CalculationRefusedError as error:
        return {"refused": str(error), "answer": error.answer}
    except ShapeError as error:
        return {"refused": str(error), "answer": {}}
    except Exception as error:  # noqa: BLE001 - a fault of the engine, told as the other one does
        return {"failed": f"{type(error).__name__}: {error}"}


def answer_there(kind: str, requests: Sequence[Any], on: str = ON) -> list[str]:
    """Return the answers of the TypeScript engine, one JSON text for each request."""
    return twin_engine().answer(kind, requests, on)


def write_answer(answer: Mapping[str, object]) -> str:
    """Return the JSON text of an answer as JavaScript writes it."""
    return json.dumps(answer, ensure_ascii=False, separators=(",", ":"))


def find_differences(
    kind: str, requests: Iterator[Any], rule_book: RuleBook
) -> Iterator[tuple[Any, str, str]]:
    """Return each request that the engines answer apart, with the answers here and there.

    A request over which an engine stumbles is one of them, even if both do.
    """
    while batch := [one for _, one in zip(range(BATCH), requests, strict=False)]:
        there = answer_there(kind, batch, rule_book.on)
        for request, text in zip(batch, there, strict=True):
            here = write_answer(answer_here(kind, request, rule_book))
            if here != text or here.startswith('{"failed"'):
                yield request, here, text


def assert_engines_agree(kind: str, requests: Sequence[Any], on: str = ON) -> None:
    """Assert that both engines write the same JSON for every request."""
    assert requests
    for request, here, there in find_differences(kind, iter(requests), packaged_rule_book(on)):
        assert here == there, json.dumps(request)
        raise AssertionError(f"{here} {json.dumps(request)}")
