"""Reads one rule file: data with source, version and approver. Opens no file and no clock.

What the rows mean is not in here: each calculator brings its own row type, derived from `Row`.
"""

import hashlib
from collections.abc import Sequence
from typing import Annotated, Any, Generic, Literal, TypeVar

import msgspec

from api.clinical_rules.errors import RuleFileError

# What a number or a word in a row may be at all; both stand in the JSON Schema as well.
Amount = Annotated[int, msgspec.Meta(ge=0, le=10_000_000)]
Days = Annotated[int, msgspec.Meta(ge=0, le=3_660)]
Months = Annotated[int, msgspec.Meta(ge=0, le=600)]
Words = Annotated[str, msgspec.Meta(min_length=1, max_length=600)]
Basis = Literal["published", "common-practice", "from-memory", "derived", "unit-setting"]
Status = Literal["in force", "draft", "approved", "retired"]


class Row(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of a rule file; row types derive from it and add their own keys (RF2)."""

    source: str | None = None
    basis: Basis | None = None


class Source(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the content of a rule file comes from."""

    title: str
    edition: str
    page: str


RowT = TypeVar("RowT", bound=Row)


class RuleFile(msgspec.Struct, Generic[RowT], frozen=True, kw_only=True):
    """One rule file as read; `sha256` is that of its bytes on disk."""

    name: str
    version: int
    status: Status
    sha256: str
    in_force_from: str
    source: Source
    approved_by: tuple[str, ...]
    unit: str
    rows: tuple[RowT, ...]
    note: str


class _Content(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: str
    version: int
    status: Status
    in_force_from: str
    source: Source
    approved_by: tuple[str, ...]
    unit: str
    rows: tuple[msgspec.Raw, ...]
    note: str


def read_rule_file(name_on_disk: str, content: bytes, row_type: type[RowT]) -> RuleFile[RowT]:
    """Return the rule file that the bytes hold, its rows decoded as `row_type`.

    Parameters
    ----------
    name_on_disk : str
        Path below the data folder, such as ``sizing/coil_counts.v1.json``.
    content : bytes
        The file as it lies on disk; `sha256` is taken over exactly these bytes.
    row_type : type
        Derived from `Row`, with ``frozen``, ``kw_only`` and ``forbid_unknown_fields``.

    Raises
    ------
    RuleFileError
        Unknown or missing keys, a wrong type, no rows, or a name or version that is not the
        path's. The text names the file, the row (counted from 1) and the remedy.

    Notes
    -----
    Rules RF1-RF3. Pure.
    """
    try:
        head = msgspec.json.decode(content, type=_Content)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        message = f"Rule file {name_on_disk} cannot be read ({error}). Correct it there."
        raise RuleFileError(message) from error
    if f"{head.name}.v{head.version}.json" != name_on_disk:
        message = (
            f"Rule file {name_on_disk} calls itself {head.name} version {head.version}. "
            "Correct its `name` or `version`, or rename the file."
        )
        raise RuleFileError(message)
    if not head.rows:
        message = f"Rule file {name_on_disk} has no rows. Add at least one."
        raise RuleFileError(message)
    rows: list[RowT] = []
    for place, raw in enumerate(head.rows, start=1):
        try:
            rows.append(msgspec.json.decode(raw, type=row_type))
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
            message = f"Rule file {name_on_disk}: row {place} cannot be read ({error}). Correct it."
            raise RuleFileError(message) from error
    return RuleFile(
        name=head.name,
        version=head.version,
        status=head.status,
        sha256=hashlib.sha256(content).hexdigest(),
        in_force_from=head.in_force_from,
        source=head.source,
        approved_by=head.approved_by,
        unit=head.unit,
        rows=tuple(rows),
        note=head.note,
    )


def path_of(rule_file: RuleFile[Any]) -> str:
    """Return the path of a rule file below the data folder, for sentences."""
    return f"{rule_file.name}.v{rule_file.version}.json"


def refuse_gaps_and_overlaps(
    name_on_disk: str,
    ranges: Sequence[tuple[int, int | None]],
    *,
    unit: str,
    from_key: str,
    below_key: str,
) -> None:
    """Refuse half-open ranges that do not follow each other without gap or overlap (RF4).

    Parameters
    ----------
    ranges : sequence of (from, below)
        One for each row, in the order of the rows, whole numbers; `below` of the last row may be
        None, which means without end.

    Raises
    ------
    RuleFileError
        Names the two rows, the doubled or missing range and the key to correct.
    """
    for place, (lower, upper) in enumerate(ranges, start=1):
        is_last = place == len(ranges)
        if (upper is None and not is_last) or (upper is not None and upper <= lower):
            message = (
                f"Rule file {name_on_disk}: row {place} ends before it begins or has no end. "
                f"Correct `{below_key}` of row {place}."
            )
            raise RuleFileError(message)
        if is_last or upper is None:
            return
        following = ranges[place][0]
        if following != upper:
            rows = f"rows {place} and {place + 1}"
            low, high = min(upper, following), max(upper, following)
            fault = "overlap" if following < upper else "leave a gap"
            message = (
                f"Rule file {name_on_disk}: {rows} {fault} ({low}-{high} {unit}). "
                f"Correct `{below_key}` of row {place}."
            )
            raise RuleFileError(message)
