"""What is due to be looked at: the unit says how long it keeps each class; nothing is deleted."""

import datetime
from importlib import resources
from pathlib import Path
from typing import Annotated

import msgspec

from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore

FILE_NAME = "crura.retention.json"


class RetentionClass(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One class of what is kept; ``keep_years`` is None where the unit has not decided.

    ``kind`` is the kind of record whose trees it counts, "" where it counts no records.
    """

    id: str
    meaning: str
    kind: str
    keep_years: Annotated[int, msgspec.Meta(ge=1, le=200)] | None


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    version: int
    classes: tuple[RetentionClass, ...]


class ClassReport(msgspec.Struct, frozen=True, kw_only=True):
    """How many of a class are held, since when the oldest, and which are due, oldest first."""

    id: str
    meaning: str
    keep_years: int | None
    held: int
    oldest_on: str
    due: tuple[str, ...]
    due_count: int


def read_retention_classes(folder: Path) -> tuple[RetentionClass, ...]:
    """Return the classes as the unit set them, else those of this release: the unit is asked.

    Raises
    ------
    StorageError
        The file of the unit cannot be read.
    """
    path = folder / FILE_NAME
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        content = packaged_retention_file()
    except OSError as error:
        message = f"{path} cannot be read ({error.strerror}). Check its rights."
        raise StorageError(message) from error
    try:
        return msgspec.json.decode(content, type=_File).classes
    except (msgspec.MsgspecError, UnicodeError) as error:
        message = f"{path} is no list of classes ({error}). Correct it, or take it away."
        raise StorageError(message) from error


def packaged_retention_file() -> bytes:
    """Return the file that a unit starts from, in which nothing is decided."""
    return (resources.files("api.record_catalogue") / "retention.json").read_bytes()


def report_retention(
    store: UnitStore, classes: tuple[RetentionClass, ...], *, today: str
) -> list[ClassReport]:
    """Return what of each class is held and what is due; deletes nothing.

    Parameters
    ----------
    today : str
        Civil date, ``YYYY-MM-DD``.

    Notes
    -----
    [PRIV-05] How long records are kept is law and the unit's own rule: no default is given here.
    """
    with store.transaction():
        return [_report(store, one, datetime.date.fromisoformat(today)) for one in classes]


def _report(store: UnitStore, one: RetentionClass, today: datetime.date) -> ClassReport:
    aged = _aged(store, one)
    limit = None if one.keep_years is None else _years_before(today, one.keep_years)
    due = [name for name, ms in aged if limit is not None and _day(ms) < limit]
    return ClassReport(
        id=one.id,
        meaning=one.meaning,
        keep_years=one.keep_years,
        held=len(aged),
        oldest_on=_day(aged[0][1]).isoformat() if aged else "",
        due=tuple(name for name in due if name),
        due_count=len(due),
    )


def _aged(store: UnitStore, one: RetentionClass) -> list[tuple[str, int]]:
    """Return name and age of everything in a class, oldest first; "" where it has no name."""
    if one.id == "access-events":
        return sorted(("", line.noted_ms) for line in store.access.lines())
    if one.id == "set-aside":
        return [("", ms) for ms in store.ages.set_aside_ms()]
    # A patient with a case or visit goes with that, and is not due alone.
    is_lone = one.kind == "patient"
    return [
        (name, ms)
        for name, ms, size in store.ages.last_entries(one.kind)
        if not is_lone or size == 1
    ]


def _years_before(today: datetime.date, years: int) -> datetime.date:
    """Return the same day so many years ago; the 28th for the 29th of February.

    Examples
    --------
    >>> _years_before(datetime.date(2024, 2, 29), 1)
    datetime.date(2023, 2, 28)
    """
    try:
        return today.replace(year=today.year - years)
    except ValueError:
        return today.replace(year=today.year - years, day=28)


def _day(ms: int) -> datetime.date:
    return datetime.datetime.fromtimestamp(ms / 1_000, datetime.UTC).date()
