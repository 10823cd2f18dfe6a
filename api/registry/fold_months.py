"""Completeness as it may leave a unit: no span of time that fewer than five cases share. Pure.

The months are true, while the days of a patient that the network is told are moved: a month with
one case, known by which of its fields are filled, would tell by how much (RG2, DQ4) [HAZ-49].
"""

from collections.abc import Callable, Iterable, Mapping

from api.quality.completeness import EARLIER, UNKNOWN_MONTH, CompletenessLine
from api.registry.suppress_small import is_small

_MONTHS = 3
_YEAR = 4
_Counts = tuple[int, int, int]


def fold_months(lines: Iterable[CompletenessLine], *, from_month: str) -> list[CompletenessLine]:
    """Return the lines by month where five cases stand for a field, else by a longer time.

    What is left of the months of a quarter is told as that quarter, what is left of a year's
    quarters as that year, what is left of all years as `EARLIER`, and fewer than five not at all.

    Parameters
    ----------
    from_month : str
        ``YYYY-MM`` of the first month that is told by itself; those before are `EARLIER`.
    """
    fields: dict[str, dict[str, _Counts]] = {}
    for line in lines:
        fields.setdefault(line.field, {})[line.month] = (line.filled, line.disagreed, line.of)
    order = {field: place for place, field in enumerate(fields)}
    told = [
        CompletenessLine(month=span, field=field, filled=filled, disagreed=disagreed, of=of)
        for field, months in fields.items()
        for span, (filled, disagreed, of) in _fold(months, from_month).items()
    ]
    return sorted(told, key=lambda one: (one.month, order[one.field]))


def quarter_of(month: str) -> str:
    """Return ``YYYY-Qn`` of a month.

    Examples
    --------
    >>> quarter_of("2026-05")
    '2026-Q2'
    """
    return f"{month[:_YEAR]}-Q{(int(month[_YEAR + 1 :]) + _MONTHS - 1) // _MONTHS}"


def _fold(months: Mapping[str, _Counts], from_month: str) -> dict[str, _Counts]:
    """Return the counts of one field by the spans in which they are told; they share no case."""
    recent = {name: held for name, held in months.items() if name >= from_month}
    told, left = _part(recent)
    for widen in (quarter_of, _year_of):
        wider, left = _part(_sum_by(left, widen))
        told |= wider
    old = {name: held for name, held in months.items() if name not in recent}
    unknown, rest = _part({UNKNOWN_MONTH: old.pop(UNKNOWN_MONTH, (0, 0, 0))})
    last, _ = _part(_sum_by({**old, **left, **rest}, lambda _: EARLIER))
    return {name: held for name, held in {**told, **unknown, **last}.items() if held[-1]}


def _part(spans: Mapping[str, _Counts]) -> tuple[dict[str, _Counts], dict[str, _Counts]]:
    """Return the spans that may be told, and the others."""
    small = {name: held for name, held in spans.items() if is_small(held[-1])}
    return {name: held for name, held in spans.items() if name not in small}, small


def _sum_by(spans: Mapping[str, _Counts], widen: Callable[[str], str]) -> dict[str, _Counts]:
    sums: dict[str, _Counts] = {}
    for name, (filled, disagreed, of) in spans.items():
        held = sums.get(widen(name), (0, 0, 0))
        sums[widen(name)] = (held[0] + filled, held[1] + disagreed, held[2] + of)
    return sums


def _year_of(span: str) -> str:
    return span[:_YEAR]
