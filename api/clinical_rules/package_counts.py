"""Packages opened in a case against what became of them, item by item (HARD-08)."""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.shapes import flag, list_of, one_of, shape, text
from api.clinical_rules.stock_request import kind_of_item

COUNTED = ("coil", "needle", "adhesive")
_ENDS = ("discarded", "used", "returned")
_READ = shape(
    {
        "packages": list_of(
            shape(
                {"id": text, "item": kind_of_item},
                {"fate": one_of("open", "placed", "used", "discarded", "returned"), "struck": flag},
            )
        ),
        "coils": list_of(shape({"id": text}, {"package": text, "struck": flag})),
    }
)

Read = Mapping[str, Any]


def count_packages(request: object) -> dict[str, Any]:
    """Return how the packages of a case add up.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``package-counts`` in RULES.md.

    Returns
    -------
    dict
        ``items``, one each for coil, needle and adhesive: counts of packages; ``open``,
        ``without_package`` and ``shared`` name records; ``difference`` and ``agrees``.

    Raises
    ------
    ShapeError
        A key or type is wrong.

    Notes
    -----
    Rule SK18. Placed coils are counted from the coils themselves, never from what a package
    says of itself. Pure.
    """
    read = _READ(request, "")
    packages = [one for one in read["packages"] if not one.get("struck", False)]
    coils = [one for one in read["coils"] if not one.get("struck", False)]
    return {
        "items": [
            _count_item(
                item,
                [one for one in packages if one["item"] == item],
                coils if item == "coil" else [],
            )
            for item in COUNTED
        ]
    }


def _count_item(item: str, opened: Sequence[Read], placed: Sequence[Read]) -> dict[str, Any]:
    known = {one["id"] for one in opened}
    named = [one["package"] for one in placed if one.get("package") in known]
    ended = {end: [one["id"] for one in opened if one.get("fate") == end] for end in _ENDS}
    settled = {*named, *(name for names in ended.values() for name in names)}
    counts = {end: len(names) for end, names in ended.items()}
    still_open = [one["id"] for one in opened if one["id"] not in settled]
    bare = [one["id"] for one in placed if one.get("package") not in known]
    shared = sorted({name for name in named if named.count(name) > 1})
    difference = len(opened) - len(placed) - sum(counts.values())
    return {
        "item": item,
        "opened": len(opened),
        "placed": len(placed),
        **counts,
        "open": still_open,
        "without_package": bare,
        "shared": shared,
        "difference": difference,
        "agrees": difference == 0 and not still_open and not bare and not shared,
    }
