"""Compares two answers of `sizing`, and says in words a clinician reads where they differ."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from api.storage.plan_checks import Difference
from sync.merge import canonical_text

# What each list of the answer calls its members by.
_NAMED_BY = {"targets": "label", "cautions": "id", "rule_files": "name"}
# A newer program adds keys here; the tablet's plan is none the worse for it.
_MAY_GROW = {(), ("basis",)}
_ABSENT = object()
_WORDS = {
    "axis_um": "axis",
    "origin": "origin of the size",
    "from": "fewest coils",
    "to": "most coils",
    "loop_band_um": "loop",
    "picks": "coils picked",
    "volume_ul": "varix, computed as an ellipsoid",
    "third_axis_from": "third axis",
    "packing_per_mille_from_to": "packing",
    "needle_stop_um": "needle stop",
    "dead_space_ul": "dead space",
    "dead_space_from": "dead space from",
    "passes": "wires that pass",
    "pure_ul": "Adhesive (pure)",
    "mix_ul": "Mix (adhesive + oil)",
    "aliquot_ul": "one aliquot of mix",
    "aliquot_ms": "time of an aliquot",
    "flush_ul": "flush",
    "flush_media": "flush with",
    "leaves_tip_before_flush_ul": "mix out before the flush",
    "rule_files": "rule files",
    "sha256": "SHA-256",
}
_UNITS = {"um": "mm", "ul": "mL", "ms": "s"}
_LONGEST = 160


def compare_answers(tablet: Mapping[str, Any], server: Mapping[str, Any]) -> tuple[Difference, ...]:
    """Return every difference between two answers, in the order of the tablet's.

    Parameters
    ----------
    tablet, server : mapping
        Answers of ``sizing`` as parsed JSON. Keys that only the server has do not count at the
        top and in ``basis``, where a newer program adds some; everywhere else they do.

    Notes
    -----
    Targets, cautions and rule files are matched by name; the path of what only the server has
    counts within the server's list.
    """
    return tuple(_compare(tablet, server, (), "$"))


def _compare(
    tablet: object, server: object, place: tuple[str, ...], path: str
) -> Iterator[Difference]:
    """Yield the differences at a place; its parts are keys, and names of members of lists."""
    if isinstance(tablet, dict) and isinstance(server, dict) and not _lacks(tablet, server):
        for key in [*tablet, *(key for key in server if key not in tablet)]:
            if key in tablet or place not in _MAY_GROW:
                yield from _compare(
                    tablet.get(key, _ABSENT),
                    server.get(key, _ABSENT),
                    (*place, key),
                    path + _step(key),
                )
        return
    named_by = _NAMED_BY.get(place[0]) if len(place) == 1 else None
    ours, theirs = _by_name(tablet, named_by), _by_name(server, named_by)
    if ours is not None and theirs is not None:
        for name in [*ours, *(name for name in theirs if name not in ours)]:
            number, one = ours.get(name, (None, _ABSENT))
            at, other = theirs.get(name, (None, _ABSENT))
            index = at if number is None else number
            yield from _compare(one, other, (*place, name), f"{path}[{index}]")
        if list(ours) != list(theirs) and set(ours) == set(theirs):
            yield _difference(list(ours), list(theirs), (*place, "order"), path)
    elif _text(tablet) != _text(server):
        yield _difference(tablet, server, place, path)


def _difference(tablet: object, server: object, place: tuple[str, ...], path: str) -> Difference:
    key = place[-1] if place else ""
    return Difference(
        path=path,
        what=_cut(_say_place(place)),
        tablet=_cut(_say(tablet, key)),
        server=_cut(_say(server, key)),
    )


def _text(value: object) -> str:
    # Of equal text: 1 is not true, and the order of keys says nothing.
    return "" if value is _ABSENT else canonical_text(value)


def _by_name(value: object, named_by: str | None) -> dict[str, tuple[int, object]] | None:
    """Return the members of a list by name; None for what is no list of members named once."""
    if named_by is None or not isinstance(value, list):
        return None
    found: dict[str, tuple[int, object]] = {}
    for number, member in enumerate(value):
        name = member.get(named_by) if isinstance(member, dict) else None
        if not isinstance(name, str) or name in found:
            return None
        found[name] = (number, member)
    return found


def _lacks(*parts: Mapping[str, object]) -> bool:
    """Say whether one part is no number but says why: compared whole, never key by key."""
    return any(set(part) in ({"missing"}, {"refusal"}) for part in parts)


def _step(key: str) -> str:
    if key.isascii() and key.replace("_", "a").isalnum() and not key[0].isdigit():
        return f".{key}"
    escaped = key.replace("\\", "\\\\").replace("'", "\\'")
    return f"['{escaped}']"


def _say_place(place: Sequence[str]) -> str:
    """Return a place in words: a target's label as written, else the part and its keys."""
    head, keys = (place[0], list(place[1:])) if place else ("answer", [])
    named = keys.pop(0) if head in _NAMED_BY and keys and keys != ["order"] else ""
    rest = [_WORDS.get(key, _plain(key)) for key in keys]
    if head == "targets" and named:
        # "Coils" goes without saying before fewest, most and picked.
        return ", ".join([named, *(rest[1:] if keys[0:1] == ["coils"] and rest[1:] else rest)])
    if named:
        return ", ".join([f"{_plain(head)[:-1].capitalize()} {named}", *rest])
    if head == "adhesive" and keys[0:1] in (["pure_ul"], ["mix_ul"]):
        return rest[0]
    if head == "basis" and rest:
        return ", ".join([f"Where {rest[0]} comes from", *rest[1:]])
    return ", ".join([_plain(head).capitalize(), *rest])


def _plain(key: str) -> str:
    words = key.removeprefix("stock_item/").split("_")
    return " ".join(words[:-1] if words[-1] in _UNITS else words)


def _say(value: object, key: str) -> str:
    """Return a value in words, its unit taken from its key."""
    unit = _UNITS.get(key.rsplit("_", 1)[-1])
    if value is _ABSENT:
        return "nothing"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{_thousandths(value)} {unit}" if unit else str(value)
    if isinstance(value, list):
        return _say_list(value, key, unit)
    if isinstance(value, dict):
        return _say_part(value)
    return str(value).removeprefix("stock_item/")


def _say_list(members: Sequence[object], key: str, unit: str | None) -> str:
    if key == "picks":
        names = f" ({', '.join(_say(one, '') for one in members)})" if members else ""
        return f"{len(members)}{names}"
    is_range = (unit or "per_mille" in key) and all(type(one) is int for one in members)
    if is_range and members:
        numbers = [_thousandths(one) if unit else str(one) for one in members]  # type: ignore[arg-type]
        return f"{' to '.join(numbers)} {unit or 'per mille'}"
    return ", ".join(_say(one, key) for one in members) or "none"


def _say_part(part: Mapping[str, Any]) -> str:
    if set(part) == {"missing"} and isinstance(part["missing"], list):
        return f"no number, lacks {', '.join(_plain(str(one)) for one in part['missing'])}"
    refusal = part.get("refusal")
    if isinstance(refusal, dict):
        return f"no number, {refusal.get('text', '')}".removesuffix(".")
    inner = [
        f"{_WORDS.get(key, _plain(key))} {_say(held, key)}"
        for key, held in part.items()
        if key not in {"basis", "source"}
    ]
    return "; ".join(inner) or "nothing"


def _thousandths(number: int) -> str:
    whole, rest = divmod(abs(number), 1000)
    text = f"{whole}.{rest:03d}".rstrip("0").rstrip(".")
    return f"-{text}" if number < 0 else text


def _cut(words: str) -> str:
    return words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…"
