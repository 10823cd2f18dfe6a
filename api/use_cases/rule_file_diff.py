"""What changed between two versions of a rule file, in words and numbers (DM-11).

Rows are told by what names them; a number comes with its unit, and as people say it. Pure: two
texts in, sentences out.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.use_cases.amount_words import say_value

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
_HEAD = ("unit", "in_force_from", "note", "status")
_SOURCE = ("title", "edition", "page")
# What a row rests on makes no two rows alike.
_FOOTNOTES = {"source", "basis"}


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
    for name, row in new.items():
        if name not in old:
            yield f"Row {name} is new: {_say_row(row, after, names)}."
        else:
            yield from _changes(f"Row {name}", old[name], row, before.unit, after.unit)
    for name, row in old.items():
        if name not in new:
            yield f"Row {name} is gone; it said: {_say_row(row, before, names)}."
    yield from _moves([name for name in old if name in new], [name for name in new if name in old])


def _moves(before: Sequence[str], after: Sequence[str]) -> Iterator[str]:
    """Tell the rows that stand elsewhere among those that both files have."""
    blocks = SequenceMatcher(None, before, after, autojunk=False).get_matching_blocks()
    kept = {name for one in blocks for name in before[one.a : one.a + one.size]}
    for name in after:
        if name not in kept:
            was, now = _place(name, before), _place(name, after)
            yield f"Row {name} moves: it stood {was} and stands {now}."


def _place(name: str, names: Sequence[str]) -> str:
    at = names.index(name)
    return f"after {names[at - 1]}" if at else "first"


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
        said = f"Row {old[0]}, {next(iter(old[1].values()))}"
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


def _changes(said: str, old: Row, new: Row, old_unit: str, new_unit: str) -> Iterator[str]:
    for key in dict.fromkeys((*old, *new)):
        was, now = old.get(key), new.get(key)
        if was != now or type(was) is not type(now):
            one, other = say_value(was, key, old, old_unit), say_value(now, key, new, new_unit)
            yield f"{said}: {_say_key(key)} changes from {one} to {other}."


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
        f"{_say_key(key)} {say_value(value, key, row, file.unit)}"
        for key, value in row.items()
        if key not in names
    )


def _say_key(key: str) -> str:
    return key.replace("_", " ")


def _head(before: _File, after: _File) -> Iterator[str]:
    for key in _HEAD:
        was, now = getattr(before, key), getattr(after, key)
        if was != now:
            yield f'The {_say_key(key)} of the file changes from "{was}" to "{now}".'
    for key in _SOURCE:
        was, now = before.source.get(key), after.source.get(key)
        if was != now:
            yield f'The {key} of its source changes from "{was}" to "{now}".'
