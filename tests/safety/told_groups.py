"""Whether outcomes tell of groups alone: the own unit, or nowhere a count of one to four."""

import re
from collections.abc import Iterator
from typing import Any

FEWEST = 5
STEP = 5
COUNTS = ("cases", "happened", "judged", "missing", "not_due")
_HAIR = 1e-9
_SOMEBODY = re.compile(r"\d{4}-\d\d-\d\d|\b(case|patient|registry_\w+)/")


def find_small_counts(told: Any, path: str = "") -> list[str]:
    """Return where an answer tells a count of one to four; sizes beside limits are no counts."""
    return [
        f"{place}: {value}"
        for place, value in _walk(told, path)
        if isinstance(value, int)
        and 0 < value < FEWEST
        and (place.rsplit(".", 1)[-1] in COUNTS or ".happened." in place)
        and ".limits." not in place
    ]


def find_exact_counts(told: Any) -> list[str]:
    """Return where an answer tells a count that is no multiple of five, or a share finer than it.

    Two such answers would tell by how few they differ.
    """
    found = [
        f"{place}: {value}"
        for place, value in _walk(told, "")
        if isinstance(value, int)
        and value % STEP
        and (place.rsplit(".", 1)[-1] in COUNTS or ".happened." in place)
        and ".limits." not in place
    ]
    competing = told.get("competing") or {"causes": [], "cases": 0}
    curves = [(one, one["cases"]) for one in told.get("survival", ())]
    curves += [(one, competing["cases"]) for one in competing["causes"]]
    for curve, cases in curves:
        for point in curve["points"]:
            steps = point["share"] * max(1, cases // STEP)
            if abs(steps - round(steps)) > _HAIR:
                found.append(f"share: {point['share']}")
    return found


def find_somebody(told: Any) -> list[str]:
    """Return where an answer names a record, or a day other than those of the period asked for."""
    return [
        f"{place}: {value}"
        for place, value in _walk(told, "")
        if isinstance(value, str)
        and place not in (".from_on", ".until_on")
        and _SOMEBODY.search(value)
    ]


def is_of_own_unit(told: Any) -> bool:
    """Say whether an answer is of no unit but the asker's."""
    return {one["unit"] for one in told["units"]} <= {"own"}


def _walk(told: Any, path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(told, dict):
        for name, it in told.items():
            yield from _walk(it, f"{path}.{name}")
    elif isinstance(told, list):
        for place, it in enumerate(told):
            yield from _walk(it, f"{path}.{place}")
    else:
        yield path, told
