"""What the lock files say: components by name, and whether each is pinned by its content."""

import json
import re
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
_PIN = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)")


class Pinned(NamedTuple):
    """One component of a lock file."""

    name: str
    version: str
    has_digest: bool


def read_python_lock(path: Path) -> list[Pinned]:
    """Return the components of a lock of pip; a name may stand twice, for two kinds of machine."""
    found: list[Pinned] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        pin = _PIN.match(line)
        if pin is not None:
            found.append(Pinned(pin[1].lower(), pin[2], has_digest=False))
        elif "--hash=sha256:" in line and found:
            found[-1] = found[-1]._replace(has_digest=True)
    return found


def read_npm_lock(path: Path, *, shipped_only: bool) -> list[Pinned]:
    """Return the components of npm's lock; those that are built into the app where asked."""
    packages = json.loads(path.read_text(encoding="utf-8"))["packages"]
    return [
        Pinned(place.split("node_modules/")[-1], one["version"], "integrity" in one)
        for place, one in packages.items()
        if place
        and not (shipped_only and (one.get("dev") or one.get("devOptional") or one.get("optional")))
    ]
