"""Exports of a hub: one person asks, another approves, then it is made; every step is noted.

Nobody approves what he asked for (DX6).
"""

from collections.abc import Callable
from typing import Literal

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_files import pack
from api.use_cases.export_history import (
    find_step,
    fold_project,
    read_earlier,
    read_patients,
    require_no_small_part,
    require_whole_quarters,
)
from api.use_cases.export_registry import ExportOrder, MadeExport, make_export
from api.use_cases.kept_exports import (
    KeptExport,
    MadeFile,
    MadeSummary,
    State,
    archives_of,
    find_export,
    keep_export,
    kept_exports,
)
from api.use_cases.list_network_rules import name_of
from sync.merge import shown_value

_ASKS = ("data-manager",)
_DECIDES = ("data-manager", "auditor")


class ExportRow(msgspec.Struct, frozen=True, kw_only=True):
    """One export as the desk shows it; ``may_decide`` says whether who looks may approve it."""

    export: str
    project: str
    purpose: str
    from_on: str
    until_on: str
    asked_by: str
    asked_by_name: str
    asked_ms: int
    state: State
    decided_by_name: str
    decided_ms: int | None
    because: str
    may_decide: bool
    manifest: MadeSummary | None


def list_exports(store: UnitStore, *, viewer: str) -> list[ExportRow]:
    """Return every export, the latest first."""
    with store.transaction():
        kept = kept_exports(store)
    return [_row(store, one, viewer) for one in kept]


def ask_for_export(
    store: UnitStore,
    *,
    project: str,
    purpose: str,
    from_on: str,
    until_on: str,
    by: str,
    new_id: str,
    now_ms: int,
) -> str:
    """Keep that somebody asks for an export, and return its id; nothing is made yet.

    Raises
    ------
    NotAllowedError
        The person may not, project or purpose is missing, a day is none, or the period is not one
        of whole quarters.
    """
    _require(store, by, _ASKS)
    if not project.strip() or not purpose.strip():
        raise NotAllowedError("Say for which project the export is, and for what purpose.")
    for day in (from_on, until_on):
        if day and not is_civil_date(day):
            message = f"{day[:20]!r} is no day. Write it as 2026-03-01, or leave it out."
            raise NotAllowedError(message)
    if from_on and until_on and until_on < from_on:
        raise NotAllowedError("The last day lies before the first. Turn them round.")
    require_whole_quarters(from_on, until_on)
    kept = KeptExport(
        export=new_id,
        project=_spell(store, project),
        purpose=purpose.strip(),
        from_on=from_on,
        until_on=until_on,
        asked_by=by,
        asked_ms=now_ms,
    )
    with store.transaction():
        keep_export(store, kept)
    return new_id


def decide_export(
    store: UnitStore,
    export: str,
    *,
    decision: Literal["approve", "refuse"],
    because: str,
    by: str,
    draw_key: Callable[[], bytes],
    now_ms: int,
    today: str,
) -> MadeExport | None:
    """Approve an export, which makes it at once, or refuse it.

    Parameters
    ----------
    draw_key : callable
        Gives the key of a project that has none yet, 32 bytes.

    Returns
    -------
    MadeExport or None
        What was made; None where it was refused. With faults it stays here, as ``failed``.

    Raises
    ------
    NotAllowedError
        No such export, one that is decided, the person who asked, one who may not, or nobody says
        why it is refused; or it cannot be made, or with an earlier one of its project would tell a
        small group (DX7), and stays as it was.
    """
    _require(store, by, _DECIDES)
    with store.transaction():
        kept = find_export(store, export)
    if kept.state != "asked":
        message = f"This export is {kept.state} already. Ask for another."
        raise NotAllowedError(message)
    if by == kept.asked_by or name_of(store, by) == name_of(store, kept.asked_by):
        raise NotAllowedError("Who asked for an export does not approve it. Ask a second person.")
    decided = msgspec.structs.replace(
        kept, decided_by=by, decided_ms=now_ms, because=because.strip()
    )
    if decision == "refuse":
        if not because.strip():
            raise NotAllowedError("Say why it is refused.")
        with store.transaction():
            keep_export(store, msgspec.structs.replace(decided, state="refused"))
        return None
    with store.transaction():
        key = store.exports.project_key(kept.project, otherwise=draw_key(), made_ms=now_ms)
        earlier = read_earlier(archives_of(store, kept.project))
    order = ExportOrder(
        project=kept.project,
        purpose=kept.purpose,
        asked_by=name_of(store, kept.asked_by),
        approved_by=name_of(store, by),
        from_on=kept.from_on,
        until_on=kept.until_on,
    )
    step = find_step(earlier)
    made = make_export(store, order, key, now_ms=now_ms, today=today, step=step)
    require_no_small_part(read_patients(made.files), earlier)
    with store.transaction():
        if find_export(store, export).state != "asked":
            raise NotAllowedError("Somebody else has just decided it. Look at the list again.")
        if len(list(archives_of(store, kept.project))) != len(earlier):
            raise NotAllowedError("The project was just handed another export. Approve it again.")
        if made.faults:
            failed = msgspec.structs.replace(decided, state="failed", because=made.faults[0])
            keep_export(store, failed)
        else:
            manifest = _sum_up(made, now_ms)
            keep_export(store, msgspec.structs.replace(decided, state="made", manifest=manifest))
            store.exports.keep_archive(export, pack(made.files))
    return made


def read_archive(store: UnitStore, export: str) -> bytes:
    """Return the files of an export that was made, as one archive.

    Raises
    ------
    NotAllowedError
        There is no such export, or none was made.
    """
    with store.transaction():
        kept = find_export(store, export)
        archive = store.exports.archive(export)
    if archive is None or kept.state != "made":
        raise NotAllowedError("Nothing was made of this export. A second person approves it first.")
    return archive


def _spell(store: UnitStore, project: str) -> str:
    """Return a project's name as it was first spelled: capitals and blanks make no other project.

    Its key is kept under that name.
    """
    with store.transaction():
        kept = kept_exports(store)
    same = [one for one in kept if fold_project(one.project) == fold_project(project)]
    first = min(same, key=lambda one: (one.state != "made", one.asked_ms), default=None)
    return first.project if first is not None else " ".join(project.split())


def _sum_up(made: MadeExport, made_ms: int) -> MadeSummary:
    manifest = made.manifest
    digests = {**manifest.sha256}
    return MadeSummary(
        made_ms=made_ms,
        rows=sum(manifest.rows.values()),
        held_back=manifest.held_back,
        missing=manifest.missing,
        fields=manifest.fields,
        k=manifest.k,
        generalised_to=manifest.generalised_to,
        caution=manifest.caution,
        files=[MadeFile(name, len(made.files[name]), digests[name]) for name in sorted(digests)],
    )


def _row(store: UnitStore, kept: KeptExport, viewer: str) -> ExportRow:
    return ExportRow(
        export=kept.export,
        project=kept.project,
        purpose=kept.purpose,
        from_on=kept.from_on,
        until_on=kept.until_on,
        asked_by=kept.asked_by,
        asked_by_name=name_of(store, kept.asked_by),
        asked_ms=kept.asked_ms,
        state=kept.state,
        decided_by_name=name_of(store, kept.decided_by) if kept.decided_by else "",
        decided_ms=kept.decided_ms,
        because=kept.because,
        may_decide=kept.state == "asked" and viewer != kept.asked_by,
        manifest=kept.manifest,
    )


def _require(store: UnitStore, by: str, roles: tuple[str, ...]) -> None:
    with store.transaction():
        state = store.views.state_of(by) if by.startswith("staff/") else None
    name, role, active = (
        shown_value(state.fields.get(field)) if state else None
        for field in ("name", "role", "active")
    )
    if not isinstance(name, str) or active is not True:
        message = f"{by[:80]} is no active member of staff. Add the person: crura staff add."
        raise NotAllowedError(message)
    if role not in roles:
        message = f"{name} is {role}. Exports are for {', '.join(roles)}."
        raise NotAllowedError(message)
