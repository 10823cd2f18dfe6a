"""Which rule files a unit computes by: what it has approved, and whether it is in training.

Only what the unit server itself wrote counts here (RL12): a device can write into the same stream,
and no device may put a rule in force.
"""

import hashlib
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any

import msgspec

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_release import Approval, Release
from api.storage.packaged_files import read_packaged_rule_files
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE
from sync.merge import RecordState

RELEASE_KIND = "rule_file_release"
# A unit's own versions are numbered from here on and those of a release stay below: neither ever
# takes the other's place (RL11).
FIRST_OWN_VERSION = 1001


class UnitRules(msgspec.Struct, frozen=True):
    """What a unit's record says about its rules on a day.

    ``own_files`` are rule files that the unit wrote itself, as (path, text).
    """

    is_training: bool
    releases: tuple[Release, ...] = ()
    own_files: tuple[tuple[str, str], ...] = ()


def read_unit_rules(store: UnitStore) -> UnitRules:
    """Return the unit's releases, and whether it is in training (RL5).

    Notes
    -----
    A unit is in training until its record says that it is live, and never again after that,
    whatever this machine's clock says. Call it inside a transaction.
    """
    is_live = any(_written(site, "live_from") for site in store.views.of_kind("site"))
    states = [state for state in store.views.of_kind(RELEASE_KIND) if not state.is_entered_in_error]
    own = {
        path: content
        for state in states
        if (path := path_of_release(state)) and path not in packaged_contents()
        for content in _written(state, "content")[:1]
        if isinstance(content, str)
    }
    held = {**packaged_contents(), **{path: text.encode() for path, text in own.items()}}
    releases = [release for state in states if (release := _read_release(state, held))]
    return UnitRules(not is_live, tuple(releases), tuple(sorted(own.items())))


def open_rule_book(rules: UnitRules, *, on: str) -> RuleBook:
    """Return the rule book that the unit computes by; the same one for the same rules and day."""
    return _open_rule_book(rules, on)


def contents_of(rules: UnitRules) -> dict[str, bytes]:
    """Return every rule file held here: those of this release and the unit's own."""
    return {**packaged_contents(), **{path: text.encode() for path, text in rules.own_files}}


@cache
def packaged_contents() -> Mapping[str, bytes]:
    """Return the rule files of this release, read once."""
    return read_packaged_rule_files()


def path_of_release(state: RecordState) -> str:
    """Return the path of the rule file that a release is about, empty where it is not readable."""
    file = _file_of(state)
    return f"{file['name']}.v{file['version']}.json" if file else ""


@lru_cache(maxsize=8)
def _open_rule_book(rules: UnitRules, on: str) -> RuleBook:
    return RuleBook(
        contents_of(rules), on=on, releases=rules.releases, is_training=rules.is_training
    )


def _read_release(state: RecordState, held: Mapping[str, bytes]) -> Release | None:
    file, content = _file_of(state), held.get(path_of_release(state))
    if file is None or content is None:
        return None
    return Release(
        name=file["name"],
        version=file["version"],
        sha256=hashlib.sha256(content).hexdigest(),
        # Two answers on the day: the earlier one is the safe one (RL10).
        retired_on=min(
            (day for day in _written(state, "retired_on") if isinstance(day, str)), default=None
        ),
        approvals=_read_approvals(state),
    )


def _file_of(state: RecordState) -> dict[str, Any] | None:
    """Return name and version of the file that a release is about: the first that was written."""
    for file in _written(state, "file")[:1]:
        if isinstance(file, dict) and isinstance(file.get("name"), str):
            return file if isinstance(file.get("version"), int) else None
    return None


def _read_approvals(state: RecordState) -> tuple[Approval, ...]:
    names = ("by", "name", "role", "sha256", "from_on")
    return tuple(
        Approval(*(one[name] for name in names))
        for one in _written(state, "approval")
        if isinstance(one, dict) and all(isinstance(one.get(name), str) for name in names)
    )


def _written(state: RecordState, field: str) -> list[Any]:
    """Return what the unit server wrote into a field, oldest first (RL12)."""
    held = state.fields.get(field)
    mark = f"{SERVER_DEVICE}."
    return [
        one.value
        for one in (held.values if held else ())
        if any(reference.startswith(mark) for reference in one.references)
    ]
