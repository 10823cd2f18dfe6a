"""Read values of records as what they should be: any device may have written anything."""

import re
from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from api.clinical_rules.civil_date import is_civil_date
from sync.merge import RecordState, shown_value

_TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")


def known_zone(names: Iterable[object], otherwise: str) -> str:
    """Return the first name that is a zone: any device may have written any text."""
    for name in names:
        if isinstance(name, str) and name:
            try:
                ZoneInfo(name)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                continue
            return name
    return otherwise


def keep_last(found: Iterable[Any]) -> tuple[Any, ...]:
    """Return each once, at its last place."""
    return tuple(reversed(dict.fromkeys(reversed(list(found)))))


def text_of(state: RecordState, field: str) -> str:
    """Return the text that a field shows, "" where it shows none."""
    value = shown_value(state.fields.get(field))
    return value if isinstance(value, str) else ""


def parts_of(value: object) -> dict[str, Any]:
    """Return the parts of a structure, none where it is none."""
    return value if isinstance(value, dict) else {}


def civil_date_of(value: object) -> str:
    """Return a civil date, "" where it is none."""
    return value if isinstance(value, str) and is_civil_date(value) else ""


def time_of_day_of(value: object) -> str:
    """Return a time of day `HH:MM`, "" where it is none."""
    return value if isinstance(value, str) and _TIME.fullmatch(value) else ""
