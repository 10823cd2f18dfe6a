"""Commands for privacy: the trail of access, erasure, and all about one patient."""

import base64
import datetime
from pathlib import Path

import msgspec
import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import (
    ENVIRONMENT,
    address_of,
    data_option,
    do_here_or_there,
    draw_chance,
    note_here,
    open_store,
    refusals,
    refuse,
    today_of,
)
from api.record_catalogue.record_names import MAX_RECORD_LENGTH
from api.storage.access_log import AccessHead, AccessLine
from api.storage.picture_files import FOLDER_NAME, PictureFiles
from api.storage.running_server import (
    RunningServer,
    ask_running_server,
    read_from_running_server,
)
from api.storage.unit_store import UnitStore
from api.use_cases.erase_records import Consent, erase_again, erase_records
from api.use_cases.export_patient import (
    LONGEST_REASON,
    SHORTEST_REASON,
    PatientExport,
    export_patient,
    read_pictures,
)
from api.use_cases.find_patient import find_noted_patient
from api.use_cases.list_held_by import HeldBy, list_held_by, read_moment
from api.use_cases.note_access import NOTHING_NOTED, export_access_head
from api.use_cases.plan_erasure import ErasurePlan, plan_erasure
from api.use_cases.registry_erasures import erase_unit, plan_erasure_of_unit
from api.use_cases.search_access import AccessSearch, FoundAccess, search_access
from api.use_cases.unit_day import read_unit_zone
from api.use_cases.wide_accesses import tell_wide

# So many records fit a line of a terminal.
_NAMED = 5


def add_privacy_commands(main: click.Group) -> None:
    """Add the commands of this file to `crura`."""
    main.add_command(audit_group)
    main.add_command(erase)
    main.add_command(patient_export)


@click.group("audit")
def audit_group() -> None:
    """Search the trail of access: who had whose record, on which device, and why."""


@audit_group.command("search")
@click.option("--patient", default="", help="patient/<id>; its cases and visits count too.")
@click.option("--person", default="", help="staff/<id>.")
@click.option("--device", default="")
@click.option("--from", "from_on", default="", help="First day, such as 2026-03-01.")
@click.option("--to", "to_on", default="", help="Last day.")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def search(
    patient: str, person: str, device: str, from_on: str, to_on: str, form: str, folder: Path
) -> None:
    """List events, the newest first; the search itself is noted."""
    wanted = AccessSearch(
        patient=patient, person=person, device=device, from_on=from_on, to_on=to_on
    )
    found = do_here_or_there(
        folder,
        lambda store: _search_here(store, wanted),
        lambda server: _search_there(server, wanted),
    )
    if form == "json":
        click.echo(msgspec.json.format(msgspec.json.encode(found), indent=1).decode())
        return
    for line in found.events:
        click.echo(_say(line, found.names))
    click.echo(f"Events: {len(found.events)}{', and more' if found.more else ''}.")
    for text in tell_wide(found.may_have_held, found.names):
        click.echo(text)


@audit_group.command("head")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True)
@data_option
def head(target: Path, folder: Path) -> None:
    """Write where the trail ends, signed, to a file that is kept outside this machine.

    `crura verify --access-head FILE` later finds whatever was taken out below it.
    """
    signed = do_here_or_there(
        folder,
        lambda store: export_access_head(store, at_ms=ENVIRONMENT.now_ms()),
        lambda server: msgspec.convert(
            ask_running_server(server, "/api/access-head", about="access"), AccessHead
        ),
    )
    if signed is None:
        refuse(NOTHING_NOTED)
    write_file(target, msgspec.json.format(msgspec.json.encode(signed), indent=1))
    click.echo(f"The trail ends at {signed.seq}; {target} says so. Keep it elsewhere.")


@audit_group.command("held-by")
@click.argument("device")
@click.option("--at", "at", required=True, help="A moment, such as 2026-03-01T18:30.")
@data_option
def held_by(device: str, at: str, folder: Path) -> None:
    """Say whose records DEVICE may have held at a moment: for a tablet that was lost.

    Also while the server runs, which then says it.
    """

    def here(store: UnitStore) -> HeldBy:
        zone = read_unit_zone(store, otherwise=ENVIRONMENT.time_zone)
        at_ms = read_moment(at, zone=zone)
        note_here(store, "search", "held-by", why=device)
        return list_held_by(store, device, at_ms=at_ms)

    def there(server: RunningServer) -> HeldBy:
        address = address_of("/api/held-by", device=device, at=at)
        return msgspec.convert(read_from_running_server(server, address, about="access"), HeldBy)

    found = do_here_or_there(folder, here, there)
    for patient in found.patients:
        click.echo(patient)
    for line in found.opened:
        click.echo(f"opened: {_say(line, {})}")
    for remark in found.remarks:
        click.echo(remark, err=True)
    click.echo(f"Patients of whom {device} may have held anything: {len(found.patients)}.")


@click.command("erase")
@click.argument("records", nargs=-1, metavar="[RECORD]...")
@click.option("--because", default="", help="Why; kept in the record.")
@click.option("--decided-by", default="", help="staff/<id>.")
@click.option("--agreed-by", default="", help="Another person: staff/<id>.")
@click.option("--also-implants", default="", help="Why what is in the patient may go too.")
@click.option("--unit", default="", help="At a hub: all that this unit told, once it is revoked.")
@click.option("--dry-run", is_flag=True, help="Say what would go, and change nothing.")
@click.option("--again", is_flag=True, help="Do what the list beside the store says.")
@data_option
def erase(
    records: tuple[str, ...],
    because: str,
    decided_by: str,
    agreed_by: str,
    also_implants: str,
    unit: str,
    folder: Path,
    *,
    dry_run: bool,
    again: bool,
) -> None:
    """Destroy the content of each RECORD (patient/<id>) and of all under it, for good.

    The chain of entries stays and verifies. Tablets drop theirs at their next exchange, and the
    hub of the network what it was told of them. Backups and former stores hold it still: erase
    those, or keep them until they are due.
    """
    if [again, bool(records), bool(unit)].count(True) != 1:
        refuse("Name the records to erase, or one --unit at its hub, or say --again and no name.")
    with open_store(folder) as store:
        if again:
            gone = erase_again(store, draw_chance=draw_chance)
            click.echo(f"Erased again by the list: {gone} entries.")
            return
        if dry_run:
            plan = plan_erasure_of_unit(store, unit) if unit else plan_erasure(store, records)
            _tell_plan(plan, "would go")
            return
        consent = Consent(
            because=because,
            decided_by=decided_by,
            agreed_by=agreed_by,
            also_implants=also_implants,
        )
        done = (
            erase_unit(store, unit, consent, draw_chance=draw_chance)
            if unit
            else erase_records(store, records, consent, draw_chance=draw_chance)
        )
        _tell_plan(done, "are gone")


@click.command("patient-export")
@click.argument("patient")
@click.option("--because", required=True, help="Why; kept in the trail of access.")
@click.option("--to", "target", type=click.Path(path_type=Path), required=True, help="A folder.")
@data_option
def patient_export(patient: str, because: str, target: Path, folder: Path) -> None:
    """Write all that is held about PATIENT (local number, or patient/<id>): JSON, PDF, pictures.

    Also while the server runs, which then gathers it.
    """
    if not 0 < len(patient.strip()) <= MAX_RECORD_LENGTH:
        refuse("Name one patient: the local number, or patient/<id>.")
    why = because.strip()
    if not SHORTEST_REASON <= len(why) <= LONGEST_REASON:
        refuse(f"Say why in {SHORTEST_REASON} to {LONGEST_REASON} letters: --because TEXT.")

    def here(store: UnitStore) -> PatientExport:
        def note(records: tuple[str, ...]) -> None:
            note_here(store, "export", "patient", records, why)

        found = find_noted_patient(store, patient, note=note)
        now_ms = ENVIRONMENT.now_ms()
        return export_patient(store, found, now_ms=now_ms, on=today_of(store))

    def there(server: RunningServer) -> PatientExport:
        asked = {"patient": patient, "why": why}
        told = read_from_running_server(server, "/api/patient-exports", asked, about="a patient")
        return msgspec.convert(told, PatientExport)

    made = do_here_or_there(folder, here, there)
    about = made.about
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        refuse(f"{target} cannot be made ({error.strerror}). Name another folder.")
    write_file(target / "about.json", msgspec.json.format(msgspec.json.encode(about), indent=1))
    with refusals():
        for digest, content in read_pictures(PictureFiles(folder / FOLDER_NAME), about):
            write_file(target / f"{digest}.picture", content)
    if made.trouble:
        refuse(made.trouble)
    write_file(target / "about.pdf", base64.b64decode(made.pdf))
    click.echo(f"{len(about.records)} records of {about.patient} are in {target}, in clear.")


def read_access_head(path: Path) -> AccessHead:
    """Return a head that was kept outside, or say in a sentence why it is none."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=AccessHead)
    except (OSError, msgspec.MsgspecError, UnicodeError) as error:
        refuse(f"{path} holds no head of the access log ({error}). Name another file.")


def _tell_plan(plan: ErasurePlan, verb: str) -> None:
    for record in plan.records:
        must_stay = record in plan.implants and verb == "would go"
        mark = "  (in a patient: stays without --also-implants)" if must_stay else ""
        click.echo(f"{record}{mark}")
    click.echo(
        f"Records: {len(plan.records)}. Entries whose content {verb}: {plan.bodies}. "
        f"Pictures: {len(plan.pictures)}."
    )
    for record in plan.doubtful:
        click.echo(
            f"{record} and what lies under it stay: only some of what was written says that they "
            "belong here. Settle where, or name them too.",
            err=True,
        )
    for copy in plan.copies:
        click.echo(f"A former store holds it still; delete it: {copy}", err=True)
    if plan.devices:
        click.echo(
            f"Devices drop theirs at their next exchange: {', '.join(plan.devices)}.", err=True
        )
    if plan.told:
        click.echo(
            f"The hub is told of {len(plan.told)} of them with the next exchange, and erases them "
            "too. If this unit has left its hub, name them there: crura erase at the hub.",
            err=True,
        )
    click.echo("Backups made before hold it still: see how long they are kept.", err=True)


def _search_here(store: UnitStore, wanted: AccessSearch) -> FoundAccess:
    note_here(store, "search", "access-events", (wanted.patient,) if wanted.patient else ())
    zone = read_unit_zone(store, otherwise=ENVIRONMENT.time_zone)
    return search_access(store, wanted, zone=zone)


def _search_there(server: RunningServer, wanted: AccessSearch) -> FoundAccess:
    address = address_of("/api/access-events", **msgspec.to_builtins(wanted))
    return msgspec.convert(ask_running_server(server, address, about="access"), FoundAccess)


def _say(line: AccessLine, names: dict[str, str]) -> str:
    at = datetime.datetime.fromtimestamp(line.at_ms / 1_000, datetime.UTC)
    parts = [
        str(line.seq),
        at.isoformat(timespec="seconds"),
        names.get(line.who) or line.who or line.asker,
        line.role,
        line.device,
        f"{line.verb} {line.object}",
        " ".join(line.records[:_NAMED]) + (" ..." if len(line.records) > _NAMED else ""),
        line.why,
        "" if line.outcome == "done" else line.outcome,
    ]
    return "  ".join(part for part in parts if part)
