"""Changes each number and word of the rule files in force, and looks for a vector that notices.

Usage: ``python -m tests.mutants.rule_tables [path ...]``, a path such as
``sizing/limits.v1.json``. A mutant that leaves every named vector and clinical check green is a
survivor: it is printed with file, row and key, and the exit code is 1. `accepted.json` holds those
that no vector can notice, each with its reason; one that is noticed after all is printed too.
"""

import argparse
import json
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec
import pytest

from api.clinical_rules.rule_book import RuleBook
from api.storage.packaged_files import read_packaged_rule_files
from tests.mutants.mutation import Mutant, mutate_file
from tests.mutants.named_checks import NamedCheck, WatchedRuleBook, read_named_checks
from tests.unit.api.twin_engine import ON

ACCEPTED = Path(__file__).with_name("accepted.json")


class Accepted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Survivors that stand, by path and key, where given by row and by what was there before."""

    path: str
    key: str
    reason: str
    row: int | None = None
    before: str | None = None

    def covers(self, mutant: Mutant) -> bool:
        """Say whether the mutant is one of these."""
        return (
            (mutant.path, mutant.key) == (self.path, self.key)
            and self.row in (None, mutant.row)
            and self.before in (None, mutant.before)
        )


def read_accepted() -> list[Accepted]:
    """Return the survivors that stand."""
    return msgspec.json.decode(ACCEPTED.read_bytes(), type=list[Accepted])


def list_paths(contents: Mapping[str, bytes]) -> list[str]:
    """Return the paths of the rule files in force, in the order of the list."""
    listed = json.loads(contents["in_force.json"])["in_force"]
    due = sorted((one for one in listed if one["from_on"] <= ON), key=lambda one: one["from_on"])
    return [
        f"{name}.v{version}.json"
        for name, version in {one["name"]: one["version"] for one in due}.items()
    ]


def group_checks(
    contents: Mapping[str, bytes], checks: Sequence[NamedCheck]
) -> dict[str, list[NamedCheck]]:
    """Return for each rule file the checks that ask for it; each must pass as the files stand."""
    by_path: dict[str, list[NamedCheck]] = {}
    for check in checks:
        book = WatchedRuleBook(contents, on=ON)
        book.asked = set()
        check.run(book)
        for path in book.asked:
            by_path.setdefault(path, []).append(check)
    return by_path


def find_survivors(
    contents: Mapping[str, bytes], path: str, checks: Sequence[NamedCheck]
) -> tuple[int, list[Mutant]]:
    """Return how many mutants of a rule file there are, and those that every check lets pass."""
    ordered = list(checks)
    count, survivors = 0, []
    for mutant in mutate_file(path, contents[path]):
        count += 1
        book = RuleBook({**contents, path: mutant.content}, on=ON)
        killer = next((check for check in ordered if not _passes(check, book)), None)
        if killer is None:
            survivors.append(mutant)
        else:
            # The next mutant of the row is likely to fail where this one did.
            ordered.remove(killer)
            ordered.insert(0, killer)
    return count, survivors


def _passes(check: NamedCheck, book: RuleBook) -> bool:
    try:
        check.run(book)
    except (Exception, pytest.fail.Exception):  # noqa: BLE001 - whatever it stumbles over, it has noticed
        return False
    return True


def main() -> int:
    """Report every rule file asked for; return 1 when a mutant survives that may not."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("paths", nargs="*", metavar="path")
    paths = parser.parse_args().paths
    contents = read_packaged_rule_files()
    begun = time.monotonic()
    by_path = group_checks(contents, read_named_checks())
    accepted = [one for one in read_accepted() if not paths or one.path in paths]
    used: set[Accepted] = set()
    total = stand = lost = 0
    for path in paths or list_paths(contents):
        count, survivors = find_survivors(contents, path, by_path.get(path, []))
        total += count
        for mutant in survivors:
            covering = [one for one in accepted if one.covers(mutant)]
            used |= set(covering)
            stand += bool(covering)
            if not covering:
                lost += 1
                print(f"SURVIVES {mutant}")
        print(f"{path}: {count} mutants, {len(survivors)} not noticed", flush=True)
    idle = [one for one in accepted if one not in used]
    for one in idle:
        print(f"NOTICED AFTER ALL, take it off accepted.json: {one.path} {one.key}")
    took = time.monotonic() - begun
    print(f"{total} mutants, {lost} survive, {stand} accepted with a reason; {took:.0f} s")
    return 1 if lost or idle else 0


if __name__ == "__main__":
    sys.exit(main())
