"""Fuzzes what outsiders' bytes reach, led by coverage, for a while each (SEC-32).

Usage: ``python -m tests.fuzz.coverage [--seconds N] [--keep] [target ...]``. Each target runs in a
process of its own, since a find ends it. What is found is written to ``tests/fuzz/corpus`` as
``find_...``, and ``make test`` replays it from then on; with ``--keep`` so are inputs that reached
something new.
"""

import argparse
import hashlib
import importlib
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.fuzz.coverage_targets import CORPUS, TARGETS

_RUN = "from tests.fuzz.coverage import run_target; run_target()"
# By the clock, for what never ends at all; a second of the processor is a find in each target.
ENDED_AFTER_SECONDS = 5
MAX_INPUT_BYTES = 8_192


def run_target() -> None:
    """Let atheris run one target in this process; never returns."""
    import atheris

    name = sys.argv.pop(1)
    with atheris.instrument_imports(include=["api", "sync", "icalendar"]):
        # Imported a second time, so that their branches are counted.
        for module in [one for one in sys.modules if one.split(".")[0] in ("api", "sync")]:
            del sys.modules[module]
        del sys.modules["tests.fuzz.coverage_targets"]
        counted = importlib.import_module("tests.fuzz.coverage_targets")
    atheris.Setup(sys.argv, counted.TARGETS[name])
    atheris.Fuzz()


def fuzz(target: str, seconds: int, *, keeps: bool) -> str:
    """Fuzz one target; return what it printed of a find, "" without one."""
    with tempfile.TemporaryDirectory() as folder:
        corpus, finds = Path(folder) / "corpus", Path(folder) / "finds"
        shutil.copytree(CORPUS / target, corpus)
        finds.mkdir()
        known = {path.name for path in corpus.iterdir()}
        done = subprocess.run(
            [
                *(sys.executable, "-c", _RUN, target, str(corpus)),
                f"-max_total_time={seconds}",
                f"-timeout={ENDED_AFTER_SECONDS}",
                f"-max_len={MAX_INPUT_BYTES}",
                f"-artifact_prefix={finds}/",
                "-print_final_stats=1",
            ],
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
        new = [path for path in corpus.iterdir() if path.name not in known]
        _keep(target, list(finds.iterdir()), "find")
        if keeps:
            _keep(target, new, "seen")
        executed = [line for line in done.stderr.splitlines() if "number_of_executed" in line]
        print(f"{target}: {' '.join(executed)}, {len(new)} inputs reached something new")
    return "" if done.returncode == 0 else done.stderr[-4_000:]


def _keep(target: str, paths: list[Path], why: str) -> None:
    for path in paths:
        content = path.read_bytes()
        name = f"{why}_{hashlib.sha256(content).hexdigest()[:12]}"
        (CORPUS / target / name).write_bytes(content)


def main(arguments: list[str]) -> int:
    """Fuzz the targets named, all without names; return 1 after a find."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", choices=[[], *TARGETS], default=[])
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--keep", action="store_true")
    asked = parser.parse_args(arguments)
    found = 0
    for target in asked.targets or TARGETS:
        printed = fuzz(target, asked.seconds, keeps=asked.keep)
        if printed:
            found = 1
            print(f"{target} broke a promise:\n{printed}")
    return found


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
