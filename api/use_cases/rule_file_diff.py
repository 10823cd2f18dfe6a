"""What changed between two versions of a rule file, in words of the field and numbers (DM-11).

Rows are told by what they are called, a number with its unit as people say it. Pure: two texts in,
sentences out.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.use_cases.amount_words import say_value
from api.use_cases.rule_row_words import say_key, say_row_name

Row = Mapping[str, Any]
# A row and its place, counted from 1.
_Placed = tuple[int, Row]
# What may name a row, the first of which no two rows of either file share.
_NAMES = (
    ("id",),
    ("item",),
    ("visit",),
    ("drug",),
    ("measure",),
    ("reminder",),
    ("input",),
    ("name",),
    ("sign",),
    ("size",),
    ("agent",),
    ("fact",),
    ("score", "term"),
    ("name", "unit"),
    ("input", "unit"),
    ("score", "item", "word"),
    ("score", "item", "points"),
    ("score", "item", "label"),
    ("fact", "grade"),
    ("cohort", "years"),
    ("from_um",),
    ("wire_up_to_um",),
    ("number",),
)
# The head of a file that is told when it changes; the version always does.
_HEAD = {
    "unit": "The unit of the file",
    "in_force_from": "The first day of the file",
    "note": "The note of the file",
    "status": "The standing that the file gives itself",
}
_SOURCE = ("title", "edition", "page")
# What a row rests on makes no two rows alike.
_FOOTNOTES = {"source", "basis"}


_LONGEST_HINT = 40


class _File(msgspec.Struct, frozen=True):
    name: str
    version: int
    rows: tuple[dict[str, Any], ...]
    unit: str
    in_force_from: str
    note: str
    status: str
    source: dict[str, Any]


def diff_rule_files(old: bytes, new: bytes) -> list[str]:
    """Return what changed from one version to the other, a sentence each; empty where nothing did.

    Parameters
    ----------
    old, new : bytes
        Two versions of one rule file, as they lie on disk.

    Raises
    ------
    RuleFileError
        One cannot be read, or they are of two names.

    Notes
    -----
    Rules WD1-WD3. Rows first, in the order of the new file and then those that are gone.
    """
    before, after = _read(old, "first"), _read(new, "second")
    if before.name != after.name:
        message = (
            f"{before.name} and {after.name} are two rule files, not two versions of one. "
            "Name two versions of the same."
        )
        raise RuleFileError(message)
    return [*_rows(before, after), *_head(before, after)]


def _read(content: bytes, which: str) -> _File:
    try:
        return msgspec.json.decode(content, type=_File)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        message = f"The {which} rule file cannot be read ({error}). Correct it there."
        raise RuleFileError(message) from error


def _rows(before: _File, after: _File) -> Iterator[str]:
    names = _find_names(before.rows, after.rows)
    if names is None:
        yield from _unnamed_rows(before, after)
        return
    old = {_name(row, names): row for row in before.rows}
    new = {_name(row, names): row for row in after.rows}
    called = _call_rows(before, after, names)
    for name, row in new.items():
        if name not in old:
            yield f"{called[name]} is new: {_say_row(row, after, names)}."
        else:
            yield from _changes(called[name], old[name], row, before.unit, after.unit)
    for name, row in old.items():
        if name not in new:
            yield f"{called[name]} is gone; it said: {_say_row(row, before, names)}."
    kept = [name for name in new if name in old]
    yield from _moves([name for name in old if name in new], kept, called)


def _call_rows(before: _File, after: _File, names: tuple[str, ...]) -> dict[str, str]:
    """Return what each row is called, by its name; of two of one word each with its id."""
    said = {
        _name(row, names): say_row_name(row, names, file.unit)
        for file in (before, after)
        for row in file.rows
    }
    count = Counter(said.values())
    return {name: f"{one} [{name}]" if count[one] > 1 else one for name, one in said.items()}


def _moves(before: Sequence[str], after: Sequence[str], called: Mapping[str, str]) -> Iterator[str]:
    """Tell the rows that stand elsewhere among those that both files have."""
    blocks = SequenceMatcher(None, before, after, autojunk=False).get_matching_blocks()
    kept = {name for one in blocks for name in before[one.a : one.a + one.size]}
    for name in after:
        if name not in kept:
            was, now = _place(name, before, called), _place(name, after, called)
            yield f"{called[name]} moves: it stood {was} and stands {now}."


def _place(name: str, names: Sequence[str], called: Mapping[str, str]) -> str:
    at = names.index(name)
    return f"after {called[names[at - 1]]}" if at else "first"


def _unnamed_rows(before: _File, after: _File) -> Iterator[str]:
    """Tell rows that nothing names: those most alike as changed, the others as gone or new."""
    left: list[_Placed] = list(enumerate(before.rows, start=1))
    fresh: list[_Placed] = []
    for place, row in enumerate(after.rows, start=1):
        same = next((one for one in left if one[1] == row), None)
        if same is None:
            fresh.append((place, row))
        else:
            left.remove(same)
    for old, new in _pair_alike(left, fresh):
        left.remove(old)
        fresh.remove(new)
        said = f"Row {old[0]} ({_first(old[1])})"
        yield from _changes(said, old[1], new[1], before.unit, after.unit)
    yield from (f"Row {at} is new: {_say_row(row, after)}." for at, row in fresh)
    yield from (f"Row {at} is gone; it said: {_say_row(row, before)}." for at, row in left)
    if before.rows != after.rows and sorted(map(str, before.rows)) == sorted(map(str, after.rows)):
        yield "The order of rows changes; the rows are the same."


def _pair_alike(left: Sequence[_Placed], fresh: Sequence[_Placed]) -> list[tuple[_Placed, _Placed]]:
    """Pair rows that say the same in more than half of their keys, the most alike first."""
    ranked = sorted(
        (
            (-shared, old[0], new[0], old, new)
            for old in left
            for new in fresh
            if 2 * (shared := _shared(old[1], new[1])) > len({*old[1], *new[1]} - _FOOTNOTES)
        ),
        key=lambda one: one[:3],
    )
    pairs: list[tuple[_Placed, _Placed]] = []
    for *_, old, new in ranked:
        if all(old[0] != one[0] and new[0] != other[0] for one, other in pairs):
            pairs.append((old, new))
    return pairs


def _shared(one: Row, other: Row) -> int:
    return sum(key in other and other[key] == one[key] for key in one if key not in _FOOTNOTES)


def _first(row: Row) -> str:
    """Return the first words of a row that nothing names, as a hint which it is."""
    words = [one for one in row.values() if isinstance(one, str) and len(one) <= _LONGEST_HINT]
    return ", ".join(words[:2]).replace("_", " ")


def _changes(said: str, old: Row, new: Row, old_unit: str, new_unit: str) -> Iterator[str]:
    for key in dict.fromkeys((*old, *new)):
        was, now = old.get(key), new.get(key)
        if was != now or type(was) is not type(now):
            one, other = say_value(was, key, old, old_unit), say_value(now, key, new, new_unit)
            part = say_key(key)
            yield f"{said}{part and f': {part}'} changes from {one} to {other}."


def _find_names(before: Sequence[Row], after: Sequence[Row]) -> tuple[str, ...] | None:
    for names in _NAMES:
        if all(_names_each(rows, names) for rows in (before, after)):
            return names
    return None


def _names_each(rows: Sequence[Row], names: tuple[str, ...]) -> bool:
    found = [_name(row, names) for row in rows]
    return all(name in row for row in rows for name in names) and len(set(found)) == len(found)


def _name(row: Row, names: tuple[str, ...]) -> str:
    return " ".join(f'"{row.get(name)}"' for name in names)


def _say_row(row: Row, file: _File, names: tuple[str, ...] = ()) -> str:
    return "; ".join(
        f"{say_key(key)} {say_value(value, key, row, file.unit)}".strip()
        for key, value in row.items()
        if key not in names
    )


def _head(before: _File, after: _File) -> Iterator[str]:
    for key, said in _HEAD.items():
        was, now = getattr(before, key), getattr(after, key)
        if was != now:
            yield f'{said} changes from "{was}" to "{now}".'
    for key in _SOURCE:
        was, now = before.source.get(key), after.source.get(key)
        if was != now:
            yield f'The source of the file: its {key} changes from "{was}" to "{now}".'
