"""A de-identified export of the hub's registry: tables, dictionary, manifest; linted, then out.

What it is called: pseudonymised, a limited set; never more than that [PRIV-06].
"""

import datetime
from collections.abc import Mapping, Sequence

import msgspec

from api.quality.quality_rules import packaged_quality_rules
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_columns import describe_columns
from api.use_cases.export_files import (
    DICTIONARY,
    MANIFEST,
    README,
    Manifest,
    caution_of,
    digests_of,
    wording,
    write_manifest,
    write_readme,
    write_table_files,
)
from api.use_cases.export_generalising import K, Step
from api.use_cases.export_tables import KINDS, ExportRows, make_export_rows
from api.use_cases.lint_export import lint_export
from api.use_cases.unit_rules import contents_of, open_rule_book, read_unit_rules
from sync.merge import RecordState

# Shorter ids of the record would be found in any text.
_SHORTEST_ID = 8


class ExportOrder(msgspec.Struct, frozen=True, kw_only=True):
    """What is exported, for what, and the names of the two people who decided it.

    ``from_on`` and ``until_on`` are days of treatment as the hub holds them, "" for no end.
    """

    project: str
    purpose: str
    asked_by: str
    approved_by: str
    from_on: str = ""
    until_on: str = ""


class MadeExport(msgspec.Struct, frozen=True):
    """The files by name, with the manifest; what the linter found has to be nothing to leave."""

    files: dict[str, bytes]
    manifest: Manifest
    faults: list[str]


def make_export(
    store: UnitStore,
    order: ExportOrder,
    key: bytes,
    *,
    now_ms: int,
    today: str,
    with_parquet: bool = True,
    step: Step | None = None,
) -> MadeExport:
    """Return the files of an export.

    Parameters
    ----------
    key : bytes
        Of the project; it makes pseudonyms and dates, and stays at the hub.
    step : Step or None
        The one at which the project was told before, which it keeps.

    Raises
    ------
    NotAllowedError
        Fewer than five patients were treated in that time, or Parquet is asked for without its
        library.

    Notes
    -----
    Rules DX1-DX5. The same records, order, key and moment give the same bytes.
    """
    with store.transaction():
        rules = read_unit_rules(store)
    states = read_registry_states(store)
    rows = read_export_rows(
        store, states, key, from_on=order.from_on, until_on=order.until_on, step=step
    )
    files = write_table_files(rows, with_parquet=with_parquet)
    dictionary = msgspec.json.encode(describe_columns(store.catalogue))
    files[DICTIONARY] = msgspec.json.format(dictionary, indent=1)
    book = open_rule_book(rules, on=today)
    names = sorted({path.rpartition(".v")[0] for path in contents_of(rules) if ".v" in path})
    versions = {name: version for name in names if (version := book.version_of(name))}
    manifest = Manifest(
        wording=wording(),
        project=order.project,
        purpose=order.purpose,
        asked_by=order.asked_by,
        approved_by=order.approved_by,
        made_at=datetime.datetime.fromtimestamp(now_ms // 1_000, datetime.UTC).isoformat(),
        from_on=order.from_on,
        until_on=order.until_on,
        k=K,
        generalised_to=rows.step.say(),
        held_back=rows.held_back,
        missing=rows.missing,
        fields=rows.fields,
        refused=rows.refused,
        rows={name: len(held) for name, held in rows.tables.items()},
        rule_versions={"quality_rules": packaged_quality_rules().version, **versions},
        catalogue=store.catalogue.version,
        caution=caution_of(rows),
        sha256=digests_of(files),
    )
    files[README] = write_readme(manifest)
    files[MANIFEST] = write_manifest(manifest)
    faults = lint_export(files, store.catalogue, never=_never(states, key))
    return MadeExport(files, manifest, faults)


def read_registry_states(store: UnitStore) -> dict[str, Sequence[RecordState]]:
    """Return what the hub holds of every kind that is exported, one kind at a time."""
    states: dict[str, Sequence[RecordState]] = {}
    for kind in KINDS:
        with store.transaction():
            states[kind] = store.views.of_kind(kind)
    return states


def read_export_rows(
    store: UnitStore,
    states: Mapping[str, Sequence[RecordState]],
    key: bytes,
    *,
    from_on: str,
    until_on: str,
    step: Step | None,
) -> ExportRows:
    """Return the rows of an export, as `make_export_rows`.

    Raises
    ------
    NotAllowedError
        Fewer than five patients were treated in that time.
    """
    rows = make_export_rows(
        states, store.catalogue, key, from_on=from_on, until_on=until_on, step=step
    )
    if len(rows.tables["patients"]) < K:
        message = f"Fewer than {K} patients were treated in that time. Widen it."
        raise NotAllowedError(message)
    return rows


def _never(states: Mapping[str, Sequence[RecordState]], key: bytes) -> set[str]:
    """Return what may stand in no file: the key, and every id by which the hub knows somebody."""
    found = {key.hex()}
    for held in states.values():
        for state in held:
            found.update((state.record, state.record.partition("/")[2]))
    return {one for one in found if len(one) >= _SHORTEST_ID}
