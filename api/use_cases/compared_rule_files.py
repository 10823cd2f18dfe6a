"""What a version of a rule file is compared with, and what it changes against that, in words.

A person who approves reads what becomes different from today: never against a draft, which counts
nowhere, and against the version of the program where none is in force (WD8).
"""

from collections.abc import Mapping
from typing import Literal

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, read_listing
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.rule_file_diff import diff_rule_files
from api.use_cases.rule_file_offers import read_offers
from api.use_cases.unit_rules import (
    UnitRules,
    contents_of,
    packaged_contents,
    read_unit_rules,
)

Measure = Literal["in force", "before", "built-in", "none"]


class ComparedWith(msgspec.Struct, frozen=True, kw_only=True):
    """What changes are told against.

    Parameters
    ----------
    version : int or None
        None where there is none to compare with.
    standing : str
        ``in force``; ``before``, of the version in force itself, is the one in force before it;
        ``built-in`` where none is in force; ``none``.
    is_withdrawn : bool
        The hub offered that version and withdrew it.
    """

    version: int | None
    standing: Measure
    is_withdrawn: bool = False


class RuleFileChanges(msgspec.Struct, frozen=True, kw_only=True):
    """What a version changes, a sentence each (WD1); empty where nothing but its number does."""

    file: str
    version: int
    against: ComparedWith
    sentences: list[str]


def find_compared(
    store: UnitStore, rules: UnitRules, name: str, *, on: str, but: int | None = None
) -> ComparedWith:
    """Return what a version of a rule file is compared with on a day; inside a transaction.

    Parameters
    ----------
    but : int or None
        The version that is compared, where it is held already.

    Notes
    -----
    Rule WD8. As a unit that is live: in training drafts count, and nobody has approved those.
    """
    held = contents_of(rules)

    def version_among(releases: UnitRules) -> int | None:
        book = RuleBook(held, on=on, releases=releases.releases, is_training=False)
        return book.version_of(name)

    others = tuple(one for one in rules.releases if (one.name, one.version) != (name, but))
    version = version_among(msgspec.structs.replace(rules, releases=others))
    if version is not None:
        is_itself = but is not None and version_among(rules) == but
        withdrawn = {(one.name, one.version) for one in read_offers(store) if one.is_withdrawn}
        return ComparedWith(
            version=version,
            standing="before" if is_itself else "in force",
            is_withdrawn=(name, version) in withdrawn,
        )
    listed = read_listing(packaged_contents()).get(name)
    if listed is None or listed == but:
        return ComparedWith(version=None, standing="none")
    return ComparedWith(version=listed, standing="built-in")


def say_changes(
    held: Mapping[str, bytes], name: str, version: int, content: bytes, against: ComparedWith
) -> RuleFileChanges:
    """Return what a text changes against the version that it is compared with.

    Raises
    ------
    CalculationError
        One of both cannot be read.
    """
    sentences: list[str] = []
    if against.version is not None:
        try:
            sentences = diff_rule_files(held_version(held, name, against.version), content)
        except RuleFileError as error:
            raise CalculationError(str(error)) from error
    return RuleFileChanges(file=name, version=version, against=against, sentences=sentences)


def read_changes(store: UnitStore, name: str, version: int, *, on: str) -> RuleFileChanges:
    """Return what a version held here changes against the one in force on a day.

    Raises
    ------
    CalculationError
        There is no such version, or one of both cannot be read.
    """
    with store.transaction():
        rules = read_unit_rules(store)
        content = held_version(contents_of(rules), name, version)
        against = find_compared(store, rules, name, on=on, but=version)
    return say_changes(contents_of(rules), name, version, content, against)


def held_version(held: Mapping[str, bytes], name: str, version: int) -> bytes:
    """Return a version of a rule file among those held; a `CalculationError` where it is not."""
    content = held.get(f"{name}.v{version}.json")
    if content is None:
        message = f"There is no rule file {name[:80]!r} version {version} here. Name one that is."
        raise CalculationError(message)
    return content
