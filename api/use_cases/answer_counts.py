"""What a unit's answer to a recall counts, as the hub reads it: exact finds apart from near ones.

An answer of an older release holds one count for both. Whether the two are told apart is read from
the entries themselves: a unit that was put back to an older release counts anew and leaves what the
newer one had told apart standing (NL11).
"""

from collections.abc import Mapping

from sync.merge import FieldState, RecordState

TOTALS = ("found_cases", "found_patients", "unknown_lots", "on_shelf")
# Of each total, what it is the sum of: exact finds, near ones.
_PARTS = {
    "found_cases": ("exact_cases", "near_cases"),
    "found_patients": ("exact_patients", "near_patients"),
}
APART = tuple(name for parts in _PARTS.values() for name in parts)


def read_answer_counts(state: RecordState | None) -> dict[str, int | None]:
    """Return each count of an answer by field, None for what is not told.

    Exact and near finds are not told unless they were written after the totals and add up to them.
    """
    fields: Mapping[str, FieldState] = state.fields if state is not None else {}
    numbers = {name: _number(fields.get(name)) for name in (*TOTALS, *APART)}
    if not all(_is_told_apart(fields, numbers, total) for total in _PARTS):
        numbers.update(dict.fromkeys(APART))
    return numbers


def _is_told_apart(
    fields: Mapping[str, FieldState], numbers: Mapping[str, int | None], total: str
) -> bool:
    parts = [numbers[name] for name in _PARTS[total]]
    told = [one for one in parts if one is not None and one >= 0]
    if len(told) < len(parts) or sum(told) != numbers[total]:
        return False
    return all(_stamp(fields[name]) > _stamp(fields[total]) for name in _PARTS[total])


def _stamp(field: FieldState) -> str:
    return field.values[-1].stamp


def _number(field: FieldState | None) -> int | None:
    value = field.values[-1].value if field is not None else None
    return value if isinstance(value, int) and not isinstance(value, bool) else None
