"""Adds every rule file in force that is not yet released to the list of released ones.

Usage: ``python -m tests.documents.release_rule_files``. What is on the list is never changed: a
file that has changed since is named, and the list stays as it was.
"""

import hashlib
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "api/clinical_rules/data"
RELEASED = ROOT / "tests/documents/released_rule_files.json"


def release_rule_files() -> list[str]:
    """Return the paths that were added; stops the program when a released file has changed."""
    released: dict[str, str] = json.loads(RELEASED.read_text())
    listing = json.loads((DATA / "in_force.json").read_text())["in_force"]
    paths = [f"{one['name']}.v{one['version']}.json" for one in listing]
    now = {path: hashlib.sha256((DATA / path).read_bytes()).hexdigest() for path in paths}
    changed = [path for path in paths if released.get(path, now[path]) != now[path]]
    if changed:
        sys.exit(f"{', '.join(changed)} changed after release. Write a new version instead.")
    added = [path for path in paths if path not in released]
    RELEASED.write_text(json.dumps(dict(sorted({**released, **now}.items())), indent=2) + "\n")
    return added


if __name__ == "__main__":
    print("\n".join(release_rule_files()) or "Nothing to add.")
