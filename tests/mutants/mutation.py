"""Mutants of a rule file: each number and word of its rows, changed a little, one at a time."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

# Prose and provenance: for readers, not for engines.
PROSE = frozenset(
    {"source", "basis", "text", "words", "title", "ask", "detail", "because", "check"}
)
PROSE |= frozenset({"refuse", "leaves", "cohort", "series", "note"})
# Which bound of one row ends where which bound of the next begins.
_MEETS = {"below": "at_least", "at_most": "above", "below_um": "from_um"}
_OTHER_SIDE = {"below": "at_most", "at_most": "below", "at_least": "above", "above": "at_least"}
_DECIMAL = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_WORD = re.compile(r"\S+")

Key = str | int
Change = tuple[tuple[Key, ...], Any]


@dataclass(frozen=True)
class Mutant:
    """A rule file with one thing changed; `row` counts from 1."""

    path: str
    row: int
    key: str
    before: str
    after: str
    content: bytes

    def __str__(self) -> str:
        return f"{self.path} row {self.row} {self.key}: {self.before} -> {self.after}"


def mutate_file(path: str, content: bytes) -> Iterator[Mutant]:
    """Return every mutant of a rule file.

    Whole numbers go one up and down, decimal text one unit in its last place, true and false
    change places, a word gives way to the next other word that its key has in the file. Where two
    rows meet in one bound, the bound also moves in both, and changes from the one to the other.
    """
    rows = json.loads(content)["rows"]
    words = _collect_words(rows)
    for place, row in enumerate(rows):
        for keys, before in _find_leaves(row):
            for after in _change(before, words.get(_column(keys), ())):
                yield _make(path, content, place, [((place, *keys), after)], before, after)
        yield from _move_bounds(path, content, rows, place)


def _find_leaves(part: Any, keys: tuple[Key, ...] = ()) -> Iterator[tuple[tuple[Key, ...], Any]]:
    if isinstance(part, dict):
        for key, content in part.items():
            if key not in PROSE:
                yield from _find_leaves(content, (*keys, key))
    elif isinstance(part, list):
        for place, content in enumerate(part):
            yield from _find_leaves(content, (*keys, place))
    else:
        yield keys, part


def _column(keys: tuple[Key, ...]) -> str:
    return ".".join(key for key in keys if isinstance(key, str))


def _collect_words(rows: Sequence[Any]) -> dict[str, list[str]]:
    """Return the words of each key in the order of the file, each once."""
    words: dict[str, dict[str, None]] = {}
    for row in rows:
        for keys, content in _find_leaves(row):
            if _is_word(content):
                words.setdefault(_column(keys), {})[content] = None
    return {column: list(found) for column, found in words.items()}


def _is_word(content: Any) -> bool:
    return (
        isinstance(content, str)
        and _WORD.fullmatch(content) is not None
        and not _DECIMAL.fullmatch(content)
    )


def _change(before: Any, words: Sequence[str]) -> list[Any]:
    if isinstance(before, bool):
        return [not before]
    if isinstance(before, int):
        return [before + 1, before - 1]
    if isinstance(before, str) and _DECIMAL.fullmatch(before):
        return [step_decimal(before, 1), step_decimal(before, -1)]
    if _is_word(before) and len(words) > 1:
        return [words[(words.index(before) + 1) % len(words)]]
    return []


def step_decimal(digits: str, steps: int) -> str:
    """Return decimal text moved by units in its last place.

    Examples
    --------
    >>> step_decimal("-2.60", 1), step_decimal("10", -1)
    ('-2.59', '9')
    """
    amount = Decimal(digits)
    return f"{amount + steps * Decimal(1).scaleb(int(amount.as_tuple().exponent)):f}"


def _move_bounds(path: str, content: bytes, rows: Sequence[Any], place: int) -> Iterator[Mutant]:
    """Move the bound that a row shares with the next one, alike in both.

    Alone each half would leave a gap or an overlap, which the engine refuses whatever the vectors
    say; only together they ask whether a vector stands at the bound.
    """
    if place + 1 == len(rows):
        return
    here, following = rows[place], rows[place + 1]
    for ends, begins in _MEETS.items():
        bound = here.get(ends)
        if bound is None or following.get(begins) != bound:
            continue
        for after in _change(bound, ()):
            changes: list[Change] = [((place, ends), after), ((place + 1, begins), after)]
            yield _make(path, content, place, changes, bound, after, key=f"{ends} and {begins}")
        if ends in _OTHER_SIDE:
            changes = [
                ((place, ends), None),
                ((place, _OTHER_SIDE[ends]), bound),
                ((place + 1, begins), None),
                ((place + 1, _OTHER_SIDE[begins]), bound),
            ]
            yield _make(path, content, place, changes, ends, _OTHER_SIDE[ends], key=f"at {bound}")


def _make(
    path: str,
    content: bytes,
    place: int,
    changes: Sequence[Change],
    before: Any,
    after: Any,
    key: str | None = None,
) -> Mutant:
    """Make a mutant; a key changed to None is taken away."""
    whole = json.loads(content)
    for keys, changed in changes:
        holder = whole["rows"]
        for one in keys[:-1]:
            holder = holder[one]
        if changed is None:
            del holder[keys[-1]]
        else:
            holder[keys[-1]] = changed
    name = key or ".".join(str(one) for one in changes[0][0][1:])
    return Mutant(path, place + 1, name, str(before), str(after), json.dumps(whole).encode())
