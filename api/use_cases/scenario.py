"""Scenarios: invented stories as data, read strictly and moved to another day.

Nothing is played or stored here: see `scenario_play.py` and `load_scenario.py`.
"""

import datetime
import re
from typing import Any

import msgspec

from api.record_catalogue.catalogue import Catalogue
from api.use_cases.errors import ScenarioError

UNIT = "unit"
_DATE = re.compile(r"^\d{4}-\d{2}-\d{2}$")
_INSTANT = re.compile(
    r"^(\d{4}-\d{2}-\d{2})(T\d{2}:\d{2}(?::\d{2}(?:\.\d{1,3})?)?(?:Z|[+-]\d{2}:\d{2}))$"
)
# Words that happen to look like a date are not moved.
_NOT_MOVED = frozenset({"text", "choice", "reference", "whole_number", "boolean"})


class StoryDevice(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A device of the story and its role, bedside or booking."""

    id: str
    role: str


class Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One act of a person on one device, or (``exchange``) one exchange of a device.

    Parameters
    ----------
    at : str
        Instant with offset, by the device's own clock.
    label : str
        Name of this act for ``retract`` and ``over_shown`` of later ones.
    over_shown : bool or dict
        True: replaces what this device showed. False: replaces nothing, as a form opened
        before the value came. A dict: field to labels of acts.
    """

    at: str
    exchange: tuple[str, str] | None = None
    device: str = ""
    by: str = ""
    tapped_by: str = ""
    record: str = ""
    label: str = ""
    set: dict[str, Any] = {}
    over_shown: bool | dict[str, tuple[str, ...]] = True
    retract: tuple[str, ...] = ()
    because: str = ""


class EndConflict(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A conflict that is open at the end; ``values`` are compared when given."""

    record: str
    field: str
    values: tuple[Any, ...] | None = None


class Ending(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What holds once every device has exchanged."""

    records: dict[str, dict[str, Any]] = {}
    conflicts: tuple[EndConflict, ...] = ()
    entered_in_error: tuple[str, ...] = ()


class Scenario(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One invented story."""

    title: str
    story: str
    story_today_on: str
    devices: tuple[StoryDevice, ...]
    timeline: tuple[Entry, ...]
    ends_with: Ending


def read_scenario(name: str, content: bytes) -> Scenario:
    """Return the story that a file holds.

    Raises
    ------
    ScenarioError
        The file has an unknown key or a wrong type; the sentence says where.
    """
    try:
        scenario = msgspec.json.decode(content, type=Scenario)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        message = f"Scenario {name} cannot be read ({error}). scenario.schema.json says how."
        raise ScenarioError(message) from error
    _read_date(name, scenario.story_today_on)
    return scenario


def shift_scenario(
    name: str, scenario: Scenario, catalogue: Catalogue, *, today_on: str
) -> Scenario:
    """Return the story moved by whole days so that it ends on another day.

    Parameters
    ----------
    today_on : str
        Civil date that takes the place of ``story_today_on``.

    Raises
    ------
    ScenarioError
        A date that is none.

    Notes
    -----
    Dates and instants move wherever the catalogue allows one, inside structures and lists too;
    text, choices and references stay. Clock times and offsets stay as written.
    """
    days = (_read_date(name, today_on) - _read_date(name, scenario.story_today_on)).days

    def moved_set(record: str, fields: dict[str, Any]) -> dict[str, Any]:
        kind = catalogue.kinds.get(record.split("/", 1)[0])
        types = {field.id: (field.type, field.fields) for field in kind.fields} if kind else {}
        return {
            field: _move(name, content, days, *types.get(field, ("", ())))
            for field, content in fields.items()
        }

    return msgspec.structs.replace(
        scenario,
        story_today_on=today_on,
        timeline=tuple(
            msgspec.structs.replace(
                entry,
                at=_move(name, entry.at, days, "instant", ()),
                set=moved_set(entry.record, entry.set),
            )
            for entry in scenario.timeline
        ),
        ends_with=msgspec.structs.replace(
            scenario.ends_with,
            records={
                record: moved_set(record, fields)
                for record, fields in scenario.ends_with.records.items()
            },
            conflicts=tuple(
                conflict
                if conflict.values is None
                else msgspec.structs.replace(
                    conflict,
                    values=tuple(
                        moved_set(conflict.record, {conflict.field: one})[conflict.field]
                        for one in conflict.values
                    ),
                )
                for conflict in scenario.ends_with.conflicts
            ),
        ),
    )


def read_instant_ms(where: str, text: str) -> int:
    """Return an instant with offset as whole milliseconds since 1970-01-01T00:00Z."""
    try:
        if not _INSTANT.match(text):
            raise ValueError(text)
        instant = datetime.datetime.fromisoformat(text)
    except ValueError as error:
        message = f"{where}: {text!r} is no instant. Write 2026-03-16T08:05:00+01:00."
        raise ScenarioError(message) from error
    since = instant - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
    return since // datetime.timedelta(milliseconds=1)


def _read_date(where: str, text: str) -> datetime.date:
    try:
        if not _DATE.match(text):
            raise ValueError(text)
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        message = f"Scenario {where}: {text!r} is no date. Write it as 2026-03-16."
        raise ScenarioError(message) from error


def _move(
    name: str,
    content: Any,  # noqa: ANN401  a field may hold any JSON
    days: int,
    type_: str,
    inner: tuple[dict[str, object], ...],
) -> Any:  # noqa: ANN401
    if isinstance(content, dict):
        types = {str(field["id"]): str(field["type"]) for field in inner}
        return {
            key: _move(name, part, days, types.get(key, ""), ()) for key, part in content.items()
        }
    if isinstance(content, list):
        return [_move(name, part, days, "", ()) for part in content]
    if not isinstance(content, str) or type_ in _NOT_MOVED:
        return content
    found = _INSTANT.match(content)
    if found is not None:
        return f"{_moved_date(name, found[1], days)}{found[2]}"
    return _moved_date(name, content, days) if _DATE.match(content) else content


def _moved_date(name: str, text: str, days: int) -> str:
    try:
        return (_read_date(name, text) + datetime.timedelta(days=days)).isoformat()
    except OverflowError as error:
        message = f"Scenario {name}: {text} cannot be moved by {days} days. Choose a nearer day."
        raise ScenarioError(message) from error
