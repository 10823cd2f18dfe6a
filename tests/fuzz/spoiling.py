"""Spoils a request in one place: wrong type, left out, unknown key, a slip of size or script."""

import copy
from collections.abc import Iterator
from typing import Any

from tests.fuzz.chance import NUMBERS, TEXTS, Chance

_OTHERS: tuple[Any, ...] = (None, True, False, [], {}, [None], [[]], {"": None}, ["x"], {"x": 1})
# Above it a slip would leave what JSON can write.
_LARGEST = 1e200
Path = tuple[Any, ...]


def spoil(request: Any, chance: Chance) -> Any:
    """Return the request changed in one or two places; the one given stays as it was."""
    spoiled = copy.deepcopy(request)
    for _ in range(chance.choice((1, 1, 1, 2))):
        places = list(_find_places(spoiled))
        if places:
            _spoil_place(spoiled, chance.choice(places), chance)
    return spoiled


def _find_places(part: Any, path: Path = ()) -> Iterator[Path]:
    inside: Any = ()
    if isinstance(part, dict):
        inside = part.items()
    elif isinstance(part, list):
        inside = enumerate(part)
    for key, content in inside:
        yield (*path, key)
        yield from _find_places(content, (*path, key))


def _spoil_place(request: Any, path: Path, chance: Chance) -> None:
    holder = request
    for key in path[:-1]:
        holder = holder[key]
    last = path[-1]
    how = chance.randrange(8)
    if how == 0:
        del holder[last]
    elif how == 1 and isinstance(holder, dict):
        # One unknown key alone: of two, objects of JavaScript put those of digits first.
        holder[chance.choice((*TEXTS, chance.look_alike(last)))] = copy.deepcopy(holder[last])
    elif how == 1:
        holder.insert(last, copy.deepcopy(holder[last]))
    elif how == 2:
        holder[last] = copy.deepcopy(chance.choice(_OTHERS))
    elif how == 3:
        holder[last] = chance.choice(NUMBERS)
    elif how == 4:
        holder[last] = chance.choice(TEXTS)
    else:
        holder[last] = _slip(holder[last], chance)


def _slip(content: Any, chance: Chance) -> Any:
    """Return content of the same kind that a slip of hand or unit may have made of it."""
    if isinstance(content, bool):
        return chance.choice((int(content), str(content).lower(), not content))
    if isinstance(content, int | float):
        if abs(content) > _LARGEST:
            return -content
        return chance.choice(
            (content * 10, content / 10, -content, content + 0.5, str(content), content * 2**40)
        )
    if isinstance(content, str):
        if content and chance.holds(0.4):
            place = chance.randrange(len(content))
            return content[:place] + chance.choice(TEXTS) + content[place + 1 :]
        return chance.look_alike(content)
    if isinstance(content, list):
        return chance.choice(
            (content + copy.deepcopy(content), {str(i): one for i, one in enumerate(content)})
        )
    if isinstance(content, dict):
        return chance.choice((list(content.values()), [content], {**content, "surprise": 1}))
    return 0
