"""Texts of rule files that the hub's own people write at its desk: where one begins, and its check.

The law of proposing and approving is that of a unit, and so are the functions that do it
(`release_rule_files.py`): here people are told what a text would change before they lay it down.
"""

import json
from collections.abc import Mapping

import msgspec

from api.clinical_rules.rule_faults import list_faults
from api.storage.unit_store import UnitStore
from api.use_cases.compared_rule_files import (
    ComparedWith,
    RuleFileChanges,
    find_compared,
    held_version,
    say_changes,
)
from api.use_cases.errors import CalculationError
from api.use_cases.release_rule_files import number_fault
from api.use_cases.unit_rules import FIRST_OWN_VERSION, contents_of, read_unit_rules


class RuleFileText(msgspec.Struct, frozen=True, kw_only=True):
    """The text that a new version begins with, numbered anew; ``based_on`` is whose text it is."""

    file: str
    version: int
    based_on: ComparedWith
    text: str


class CheckedText(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong with a text, a sentence each; where nothing is, what it changes."""

    faults: list[str]
    changes: RuleFileChanges | None = None


class _Named(msgspec.Struct, frozen=True):
    name: str
    version: int


def write_next_text(store: UnitStore, name: str, *, on: str) -> RuleFileText:
    """Return the text in force of a rule file under the next free version, to be changed.

    Raises
    ------
    CalculationError
        There is no rule file of that name.
    """
    with store.transaction():
        rules = read_unit_rules(store)
        based_on = find_compared(store, rules, name, on=on)
    held, old = contents_of(rules), based_on.version
    if old is None:
        message = f"There is no rule file {name[:80]!r} here. Name one that is."
        raise CalculationError(message)
    version = max([FIRST_OWN_VERSION - 1, *_versions(held, name)]) + 1
    text = _number_anew(held_version(held, name, old).decode(), old, version)
    return RuleFileText(file=name, version=version, based_on=based_on, text=text)


def check_text(store: UnitStore, text: str, *, on: str) -> CheckedText:
    """Check a rule file that somebody wrote, whole, and say what it would change; keep nothing.

    Notes
    -----
    Rules WD7, RL8, RL11.
    """
    content = text.encode()
    with store.transaction():
        rules = read_unit_rules(store)
    held = contents_of(rules)
    faults = list_faults(content, held)
    try:
        named = msgspec.json.decode(content, type=_Named)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return CheckedText(faults=faults)
    wrong_number = number_fault(named.name, named.version, rules)
    faults += [wrong_number] if wrong_number else []
    if faults:
        return CheckedText(faults=faults)
    with store.transaction():
        against = find_compared(store, rules, named.name, on=on)
    changes = say_changes(held, named.name, named.version, content, against)
    return CheckedText(faults=[], changes=changes)


def _versions(held: Mapping[str, bytes], name: str) -> list[int]:
    paths = [path.removesuffix(".json").rpartition(".v") for path in held]
    return [int(version) for one, _, version in paths if one == name]


def _number_anew(text: str, old: int, new: int) -> str:
    """Return a text with another version and nothing else changed, not even its lines."""
    was = f'"version": {old},'
    if text.count(was) == 1:
        return text.replace(was, f'"version": {new},')
    # Written otherwise: the layout goes, the content stays.
    return json.dumps({**json.loads(text), "version": new}, indent=2, ensure_ascii=False)
