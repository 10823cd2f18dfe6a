"""Tries a rule file before a unit takes it: its shape, its rows, and one whole calculation."""

import hashlib
from collections.abc import Mapping
from typing import Any

import msgspec

from api.clinical_rules.calculate import CALCULATIONS
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.examples import EXAMPLES
from api.clinical_rules.gates import GateRow, refuse_row_faults
from api.clinical_rules.row_types import row_type_of
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import read_rule_file
from api.clinical_rules.rule_release import Release

# The last day of the calendar that the rules know: the file tried is the one in force then.
_ON = "2199-12-31"
# Which calculation reads a file or the files of a folder, and under which key it takes one by name.
_READERS: Mapping[str, tuple[str, str | None]] = {
    "antithrombotic_holds": ("antithrombotic-holds", "profile"),
    "follow_up": ("follow-up", "plan"),
    "follow_up/early_look": ("follow-up", None),
    "liver_scores": ("liver-scores", None),
    "sizing": ("sizing", None),
}


class _Named(msgspec.Struct, frozen=True):
    name: str
    version: int


def try_rule_file(content: bytes, held: Mapping[str, bytes]) -> tuple[str, int]:
    """Return name and version of a rule file that the engines can use (RL8).

    Parameters
    ----------
    content : bytes
        The file as a unit wrote it.
    held : mapping of path to bytes
        The other rule files, with ``in_force.json``.

    Raises
    ------
    RuleFileError
        The text names the file, the row and the remedy.
    """
    try:
        named = msgspec.json.decode(content, type=_Named)
    except msgspec.MsgspecError as error:
        message = f"The rule file cannot be read ({error}). Give it a name and a version."
        raise RuleFileError(message) from error
    path = f"{named.name}.v{named.version}.json"
    read = read_rule_file(path, content, row_type_of(named.name))
    if read.status in ("draft", "retired"):
        message = f"Rule file {path} calls itself {read.status}. Correct its `status`."
        raise RuleFileError(message)
    sha256 = hashlib.sha256(content).hexdigest()
    release = Release(name=named.name, version=named.version, sha256=sha256, in_force_from=_ON)
    book = RuleBook({**held, path: content}, on=_ON, releases=(release,))
    folder, _, stem = named.name.partition("/")
    if read.name.startswith("gates/"):
        refuse_row_faults(book.rule_file(named.name, GateRow))
    reader = _READERS.get(named.name) or _READERS.get(folder)
    if reader is not None:
        kind, key = reader
        example: dict[str, Any] = dict(EXAMPLES[kind])
        if key is not None:
            example[key] = stem
        _calculate(kind, example, book)
    return named.name, named.version


def _calculate(kind: str, request: dict[str, object], book: RuleBook) -> None:
    try:
        CALCULATIONS[kind](request, book)
    except CalculationRefusedError:
        # A refusal is an answer too; only a fault of the file stops it.
        return
