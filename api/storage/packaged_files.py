"""Reads the rule files that are packaged with the program. The core reads nothing itself."""

from collections.abc import Iterator
from importlib.resources import files
from importlib.resources.abc import Traversable

_NOT_RULE_FILES = {"rule_file.schema.json"}


def read_packaged_rule_files() -> dict[str, bytes]:
    """Return every packaged rule file and `in_force.json`: path below the data folder to bytes."""
    return dict(sorted(_read_below(files("api.clinical_rules.data"), "")))


def _read_below(folder: Traversable, prefix: str) -> Iterator[tuple[str, bytes]]:
    for entry in folder.iterdir():
        path = f"{prefix}{entry.name}"
        if entry.is_dir():
            yield from _read_below(entry, f"{path}/")
        elif entry.name.endswith(".json") and path not in _NOT_RULE_FILES:
            yield path, entry.read_bytes()
