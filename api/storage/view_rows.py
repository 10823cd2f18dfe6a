"""What each read view holds of one record: rows from a merged state, and nothing else.

Every row depends on one record alone, so that it is renewed with that record; what belongs to
several (a patient's name beside a case) is joined when it is read.
"""

from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from sync.clock import read_stamp
from sync.merge import FieldState, HeldValue, RecordState, shown_value

Row = tuple[Any, ...]

CONFLICTS = "open_conflict"


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """One value left in a field in conflict: who wrote it, on which device, when (CF3)."""

    value: Any
    by: str
    device: str
    written_ms: int
    references: tuple[str, ...]


def rows_of(kind: str, stream: str, state: RecordState) -> Iterator[tuple[str, Row]]:
    """Yield table and row for everything that the read views hold of a record.

    Values of another type than the catalogue says are left out: any device may have sent them.
    """
    make = _TABLES.get(kind)
    if make is not None and not state.is_entered_in_error:
        table, rows = make
        for row in rows(state):
            yield table, row
    for name in state.conflicts:
        answers = tuple(_answer(held) for held in state.fields[name].values)
        content = msgspec.json.encode(answers).decode()
        # In order of stamp: the second answer made it a conflict.
        yield (
            CONFLICTS,
            (state.record, name, kind, stream, answers[1].written_ms, content),
        )


def table_of(kind: str) -> str | None:
    """Return the table that lists records of a kind, None when there is none."""
    made = _TABLES.get(kind)
    return made[0] if made else None


def _patient(state: RecordState) -> Iterator[Row]:
    names = ("family_name", "given_name", "born_on", "sex", "local_id")
    yield (state.record, *(_text(_shown(state, name)) for name in names))


def _case(state: RecordState) -> Iterator[Row]:
    names = ("patient", "stage", "opened_at", "procedure_on", "indication")
    texts = (_text(_shown(state, name)) for name in names)
    yield (state.record, *texts, int(bool(state.conflicts)))


def _visit(state: RecordState) -> Iterator[Row]:
    window, booking = _parts(_shown(state, "window")), _parts(_shown(state, "booking"))
    yield (
        state.record,
        *(_text(_shown(state, name)) for name in ("patient", "case", "label", "status")),
        *(_text(window.get(name)) for name in ("earliest_on", "target_on", "latest_on")),
        *(_text(booking.get(name)) for name in ("session", "on")),
        _text(_shown(state, "owner_role")),
        int(bool(state.conflicts)),
    )


def _implant(state: RecordState) -> Iterator[Row]:
    """One row a label: where two people wrote other lots for one coil, a recall finds both."""
    field: FieldState | None = state.fields.get("device")
    labels = [_parts(held.value) for held in field.values] if field else []
    stamps = [held.stamp for one in state.fields.values() for held in one.values]
    for place, label in enumerate(labels or [{}]):
        yield (
            state.record,
            place,
            state.record.split("/", 1)[0],
            _text(_shown(state, "case")),
            _text(_shown(state, "target")),
            _whole(_shown(state, "slot")),
            _wall_ms(min(stamps, default="")),
            *(_text(label.get(name)) for name in ("identifier", "lot")),
            int(label.get("lot_unknown") is True),
            *(_text(label.get(name)) for name in ("serial", "expires_on")),
        )


_TABLES: dict[str, tuple[str, Callable[[RecordState], Iterator[Row]]]] = {
    "patient": ("patient_list", _patient),
    "case": ("case_list", _case),
    "visit": ("visit_list", _visit),
    "coil_placed": ("implant", _implant),
    "adhesive_injected": ("implant", _implant),
}
TABLES = (*dict.fromkeys(table for table, _ in _TABLES.values()), CONFLICTS)


def _answer(held: HeldValue) -> Answer:
    return Answer(
        value=held.value,
        by=held.by,
        device=held.references[-1].split(".", 1)[0],
        written_ms=_wall_ms(held.stamp),
        references=held.references,
    )


def _shown(state: RecordState, field: str) -> object:
    return shown_value(state.fields.get(field))


def _wall_ms(stamp: str) -> int:
    found = read_stamp(stamp)
    return found.wall_ms if found else 0


def _parts(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
