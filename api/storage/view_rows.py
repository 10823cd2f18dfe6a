"""What each read view holds of one record: rows from a merged state, and nothing else.

Every row depends on one record alone, so that it is renewed with that record; what belongs to
several (a patient's name beside a case) is joined when it is read.
"""

from collections.abc import Callable, Iterator
from functools import cache
from typing import Any, NamedTuple

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.label_readings import read_devices
from api.clinical_rules.lot_names import (
    LookAlikes,
    identifier_form,
    lot_form,
    read_look_alikes,
    read_trace_file,
)
from api.clinical_rules.rule_book import RuleBook
from api.outcomes.registry_rows import (
    ImplantRow,
    read_case,
    read_event,
    read_implant,
    read_look,
    read_patient,
)
from api.storage.packaged_files import read_packaged_rule_files
from sync.clock import read_stamp
from sync.merge import HeldValue, RecordState, shown_value

Row = tuple[Any, ...]

CONFLICTS = "open_conflict"
# A coil that was struck may be in a patient all the same: a search of its lot finds it, marked.
KEPT_WHEN_STRUCK = frozenset({"coil_placed", "adhesive_injected", "package_opened"})
_ITEMS = {"coil_placed": "coil", "adhesive_injected": "adhesive"}
# The last day of the calendar that the rules know.
_LAST_DAY = "2199-12-31"


class Merged(NamedTuple):
    """A record as it is now, and what a struck one said before, where its rows are kept."""

    kind: str
    stream: str
    state: RecordState
    before_strike: RecordState | None = None


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """One value left in a field in conflict: who wrote it, on which device, when (CF3)."""

    value: Any
    by: str
    device: str
    written_ms: int
    references: tuple[str, ...]


def rows_of(merged: Merged) -> Iterator[tuple[str, Row]]:
    """Yield table and row for everything that the read views hold of a record.

    Values of another type than the catalogue says are left out: any device may have sent them.
    Of an erased record nothing is listed (ER4).
    """
    kind, stream, state, before_strike = merged
    make = _TABLES.get(kind)
    said = before_strike if state.is_entered_in_error else state
    if make is not None and said is not None and said.fields:
        table, rows = make
        for row in rows(said, is_struck=state.is_entered_in_error):
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


@cache
def indexed_look_alikes() -> LookAlikes:
    """Return the look-alikes of this release, under which names are indexed (LT2)."""
    book = RuleBook(read_packaged_rule_files(), on=_LAST_DAY)
    return read_look_alikes(read_trace_file(book))


def _patient(state: RecordState, *, is_struck: bool) -> Iterator[Row]:
    names = ("family_name", "given_name", "born_on", "sex", "local_id")
    yield (state.record, *(_text(_shown(state, name)) for name in names))


def _case(state: RecordState, *, is_struck: bool) -> Iterator[Row]:
    patient, stage, opened_at, procedure_on, indication = (
        _text(_shown(state, name))
        for name in ("patient", "stage", "opened_at", "procedure_on", "indication")
    )
    # Only a day of the calendar is one to search by.
    day = _civil_date(procedure_on)
    yield (
        *(state.record, patient, stage, opened_at, day, indication),
        int(bool(state.conflicts)),
    )


def _visit(state: RecordState, *, is_struck: bool) -> Iterator[Row]:
    window, booking = _parts(_shown(state, "window")), _parts(_shown(state, "booking"))
    yield (
        state.record,
        *(_text(_shown(state, name)) for name in ("patient", "case", "label", "status")),
        *(_text(window.get(name)) for name in ("earliest_on", "target_on", "latest_on")),
        *(_text(booking.get(name)) for name in ("session", "on")),
        _text(_shown(state, "owner_role")),
        int(bool(state.conflicts)),
        " ".join(_texts(state, "ended_because")) or None,
    )


def _implant(state: RecordState, *, is_struck: bool) -> Iterator[Row]:
    """One row a reading and a case: where two people wrote other lots, a recall finds both."""
    kind = state.record.split("/", 1)[0]
    days = {day[:10] for day in _texts(state, "at")}
    on_day = _civil_date(days.pop()) if len(days) == 1 else None
    # Said, and not to be told: it lies in every period. Not said: the day of its case counts (LT8).
    kept_day = on_day if on_day is not None or not _texts(state, "at") else ""
    stamps = [held.stamp for one in state.fields.values() for held in one.values]
    first = read_stamp(min(stamps, default=""))
    devices = [_parts(one) for one in _values(state, "device")]
    is_unknown = any(device.get("lot_unknown") is True for device in devices)
    stock = _text(_shown(state, "stock_id"))
    look_alikes = indexed_look_alikes()
    cases: list[str | None] = [*_texts(state, "case")] or [None]
    rows = [(case, reading) for reading in read_devices(devices, on=on_day) for case in cases]
    for place, (case, reading) in enumerate(rows):
        yield (
            state.record,
            place,
            kind,
            case,
            _text(_shown(state, "target")),
            _whole(_shown(state, "slot")),
            first.wall_ms if first else 0,
            first.device if first else "",
            reading.identifier,
            reading.lot,
            int(is_unknown and reading.lot is None),
            reading.serial,
            # Only a day of the calendar is one to search by.
            _civil_date(reading.expires_on),
            _ITEMS.get(kind) or _text(_shown(state, "item")),
            kept_day,
            _text(_shown(state, "package")),
            stock or _text(_parts(_shown(state, "coil")).get("stock_id")),
            _text(_shown(state, "fate")),
            int(is_struck),
            _form(identifier_form, reading.identifier, look_alikes),
            _form(lot_form, reading.lot, look_alikes),
            _form(lot_form, reading.serial, look_alikes),
        )


def _registry(read: Callable[..., msgspec.Struct | None]) -> Callable[..., Iterator[Row]]:
    """Return what makes the row of a record of the registry, by who wrote it first."""

    def rows(state: RecordState, *, is_struck: bool) -> Iterator[Row]:
        if is_struck:
            return
        held = [one for field in state.fields.values() for one in field.values]
        first = min(held, key=lambda one: one.stamp, default=None)
        unit = first.references[-1].split(".", 1)[0] if first is not None else ""
        shown = {name: shown_value(field) for name, field in state.fields.items()}
        row = read(state.record, unit, shown)
        if row is None:
            return
        cells = msgspec.structs.astuple(row)
        if isinstance(row, ImplantRow):
            look_alikes = indexed_look_alikes()
            yield (
                *cells,
                _form(identifier_form, row.identifier, look_alikes),
                _form(lot_form, row.lot, look_alikes),
            )
        else:
            yield cells

    return rows


def _civil_date(text: str | None) -> str | None:
    return text if text is not None and is_civil_date(text) else None


def _form(
    make: Callable[[str, LookAlikes], str], name: str | None, look_alikes: LookAlikes
) -> str | None:
    return make(name, look_alikes) or None if name else None


_TABLES: dict[str, tuple[str, Callable[..., Iterator[Row]]]] = {
    "patient": ("patient_list", _patient),
    "case": ("case_list", _case),
    "visit": ("visit_list", _visit),
    "coil_placed": ("implant", _implant),
    "adhesive_injected": ("implant", _implant),
    "package_opened": ("implant", _implant),
    "registry_patient": ("registry_patient_row", _registry(read_patient)),
    "registry_case": ("registry_case_row", _registry(read_case)),
    "registry_look": ("registry_part_row", _registry(read_look)),
    "registry_event": ("registry_part_row", _registry(read_event)),
    "registry_implant": ("registry_implant_row", _registry(read_implant)),
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


def _values(state: RecordState, field: str) -> tuple[Any, ...]:
    held = state.fields.get(field)
    return tuple(one.value for one in held.values) if held else ()


def _texts(state: RecordState, field: str) -> list[str]:
    return [one for one in _values(state, field) if isinstance(one, str) and one]


def _wall_ms(stamp: str) -> int:
    found = read_stamp(stamp)
    return found.wall_ms if found else 0


def _parts(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
