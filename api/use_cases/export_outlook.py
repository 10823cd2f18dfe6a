"""What an export would hold, before anybody approves it: columns, period, counts, units.

Whoever approves sees what would leave. Nothing leaves by looking: counts are told to the nearest
five and not at all from one to four, so that no two looks tell a small group (DX8) [HAZ-49].
"""

from collections.abc import Callable

import msgspec

from api.registry.round_counts import round_count
from api.registry.suppress_small import is_small, suppress_parts
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_columns import NEVER_HELD, TABLES, describe_columns, left_out_of
from api.use_cases.export_generalising import K
from api.use_cases.export_history import (
    find_step,
    patients_of,
    read_earlier,
    require_no_small_part,
)
from api.use_cases.export_registry import read_export_rows, read_registry_states
from api.use_cases.export_tables import ExportRows
from api.use_cases.kept_exports import archives_of, find_export
from api.use_cases.network_units import unit_name


class OutlookColumn(msgspec.Struct, frozen=True, kw_only=True):
    """One column as the data dictionary has it."""

    column: str
    meaning: str
    unit: str
    is_quasi_identifier: bool


class OutlookTable(msgspec.Struct, frozen=True, kw_only=True):
    """One table; ``left_out`` names what the hub holds of it and no column tells.

    ``rows`` is None where nothing was counted, or too few to tell.
    """

    name: str
    rows: int | None
    columns: list[OutlookColumn]
    left_out: list[str]


class OutlookUnit(msgspec.Struct, frozen=True, kw_only=True):
    """Patients of one unit, None where they are too few to tell."""

    name: str
    patients: int | None


class OutlookCounts(msgspec.Struct, frozen=True, kw_only=True):
    """What would leave, to the nearest five.

    Parameters
    ----------
    told_of_each : str
        How finely unit, birth, sex and time of treatment would be told.
    held_back : int or None
        Patients of whom none of these is told; None where they are too few to tell.
    missing, fields : int
        So many of so many fields that were to be recorded are empty.
    """

    patients: int
    units: list[OutlookUnit]
    told_of_each: str
    held_back: int | None
    missing: int
    fields: int


class ExportOutlook(msgspec.Struct, frozen=True, kw_only=True):
    """What an export would hold; of none in particular, what every export holds.

    Parameters
    ----------
    counts : OutlookCounts or None
        None of none in particular, and where it cannot be made: ``sentence`` says why.
    earlier : int
        How many exports its project was handed before.
    """

    export: str
    tables: list[OutlookTable]
    never: str
    k: int
    counts: OutlookCounts | None = None
    earlier: int = 0
    sentence: str = ""


def look_ahead(
    store: UnitStore, export: str, *, draw_key: Callable[[], bytes], now_ms: int
) -> ExportOutlook:
    """Return what an export that waits would hold; "" for what every export holds.

    Parameters
    ----------
    draw_key : callable
        Gives the key of a project that has none yet, 32 bytes: what is approved is made with it.

    Raises
    ------
    NotAllowedError
        There is no such export, or it is decided.
    """
    if not export:
        return _outlook(store, export, None)
    with store.transaction():
        kept = find_export(store, export)
        if kept.state != "asked":
            message = f"This export is {kept.state} already. Its manifest says what it holds."
            raise NotAllowedError(message)
        key = store.exports.project_key(kept.project, otherwise=draw_key(), made_ms=now_ms)
        earlier = read_earlier(archives_of(store, kept.project))
    try:
        rows = read_export_rows(
            store,
            read_registry_states(store),
            key,
            from_on=kept.from_on,
            until_on=kept.until_on,
            step=find_step(earlier),
        )
        require_no_small_part(patients_of(rows.tables["patients"]), earlier)
    except NotAllowedError as error:
        told = _outlook(store, export, None)
        return msgspec.structs.replace(told, earlier=len(earlier), sentence=str(error))
    return msgspec.structs.replace(_outlook(store, export, rows), earlier=len(earlier))


def _outlook(store: UnitStore, export: str, rows: ExportRows | None) -> ExportOutlook:
    described = describe_columns(store.catalogue)
    tables = [
        OutlookTable(
            name=table.name,
            rows=None if rows is None else _told(len(rows.tables[table.name])),
            columns=msgspec.convert(described[table.name], type=list[OutlookColumn]),
            left_out=list(left_out_of(store.catalogue, table)),
        )
        for table in TABLES
    ]
    counts = None if rows is None else _count(store, rows)
    return ExportOutlook(export=export, tables=tables, never=NEVER_HELD, k=K, counts=counts)


def _count(store: UnitStore, rows: ExportRows) -> OutlookCounts:
    with store.transaction():
        names = {unit: unit_name(store, unit) for unit in rows.units}
    shown = suppress_parts(rows.units)
    return OutlookCounts(
        patients=round_count(len(rows.tables["patients"])),
        units=[
            OutlookUnit(name=names[unit], patients=None if count is None else round_count(count))
            for unit, count in sorted(shown.items(), key=lambda one: (names[one[0]], one[0]))
        ],
        told_of_each=rows.step.say(),
        held_back=_told(rows.held_back),
        missing=round_count(rows.missing),
        fields=round_count(rows.fields),
    )


def _told(count: int) -> int | None:
    return None if is_small(count) else round_count(count)
