"""Which rule files a unit computes by: what it has approved, and whether it is in training."""

import hashlib
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any

import msgspec

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_release import Approval, Release
from api.storage.packaged_files import read_packaged_rule_files
from api.storage.unit_store import UnitStore
from sync.merge import RecordState, shown_value

RELEASE_KIND = "rule_file_release"


class UnitRules(msgspec.Struct, frozen=True):
    """What a unit's record says about its rules on a day.

    ``own_files`` are rule files that the unit wrote itself, as (path, text).
    """

    is_training: bool
    releases: tuple[Release, ...] = ()
    own_files: tuple[tuple[str, str], ...] = ()


def read_unit_rules(store: UnitStore, *, on: str) -> UnitRules:
    """Return the unit's releases, and whether it is in training on a civil date (RL5).

    Notes
    -----
    A unit is in training until its record says from which day it is live. Call it inside a
    transaction.
    """
    live_from = [shown_value(site.fields.get("live_from")) for site in store.views.of_kind("site")]
    is_live = any(isinstance(day, str) and day <= on for day in live_from)
    states = [state for state in store.views.of_kind(RELEASE_KIND) if not state.is_entered_in_error]
    own = {
        path_of_release(state): content
        for state in states
        if isinstance(content := shown_value(state.fields.get("content")), str)
    }
    # A released file never changes: a text under its name does not stand in its place.
    own = {path: text for path, text in own.items() if path and path not in packaged_contents()}
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
    file = shown_value(state.fields.get("file"))
    if not isinstance(file, dict) or not isinstance(file.get("name"), str):
        return ""
    return f"{file['name']}.v{file.get('version')}.json"


@lru_cache(maxsize=8)
def _open_rule_book(rules: UnitRules, on: str) -> RuleBook:
    return RuleBook(
        contents_of(rules), on=on, releases=rules.releases, is_training=rules.is_training
    )


def _read_release(state: RecordState, held: Mapping[str, bytes]) -> Release | None:
    content = held.get(path_of_release(state))
    file: Any = shown_value(state.fields.get("file"))
    if content is None or not isinstance(file.get("version"), int):
        return None
    retired = state.fields.get("retired_on")
    days = [held.value for held in retired.values] if retired else []
    return Release(
        name=file["name"],
        version=file["version"],
        sha256=hashlib.sha256(content).hexdigest(),
        in_force_from=_text(shown_value(state.fields.get("in_force_from"))),
        # Two answers on the day: the earlier one is the safe one.
        retired_on=min((day for day in days if isinstance(day, str)), default=None),
        approvals=_read_approvals(state),
    )


def _read_approvals(state: RecordState) -> tuple[Approval, ...]:
    field = state.fields.get("approval")
    given: list[Any] = [held.value for held in field.values] if field else []
    names = ("by", "name", "role", "sha256")
    return tuple(
        Approval(*(one[name] for name in names))
        for one in given
        if isinstance(one, dict) and all(isinstance(one.get(name), str) for name in names)
    )


def _text(content: object) -> str | None:
    return content if isinstance(content, str) else None
