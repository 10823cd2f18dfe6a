"""Commands at the hub: recalls for its units, and links between patients of different units."""

import json
from pathlib import Path
from typing import Any

import msgspec
import rich_click as click

from api.clinic_commands import write_file
from api.command_parts import ENVIRONMENT, data_option, draw_chance, note_here, open_store, refuse
from api.linkage.link_weighing import Weighing
from api.storage.unit_store import UnitStore
from api.trace_command_parts import criteria_options, person_option, read_criteria, tell_held
from api.use_cases.decide_links import REASONS, LinkAct, decide_link
from api.use_cases.link_patients import tend_links
from api.use_cases.list_links import NetworkLink, list_links
from api.use_cases.list_network_recalls import (
    NetworkNotice,
    UnitStanding,
    list_network_recalls,
    show_network_recall,
    write_answers_csv,
)
from api.use_cases.network_recalls import add_network_recall, withdraw_network_recall
from api.use_cases.server_role import is_hub

_FORMAT = click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")


def add_network_commands(hub_group: click.Group) -> None:
    """Add the commands of this file to `crura hub`."""
    hub_group.add_command(network_recall_group)
    hub_group.add_command(links_group)


@click.group("recall")
def network_recall_group() -> None:
    """At the hub: recalls for all units or some, and how each unit answers."""


@network_recall_group.command("add")
@click.argument("lots", nargs=-1, metavar="[LOT]...")
@criteria_options
@click.option("--reason", required=True, help="In the words of the notice.")
@click.option("--issued-on", required=True, help="Day of the notice.")
@click.option("--to", "to", multiple=True, help="A unit by its id; none is for all units.")
@person_option
@data_option
def add(
    lots: tuple[str, ...],
    as_typed: bool,
    identifier: str | None,
    expires_from: str | None,
    expires_to: str | None,
    item: str | None,
    reason: str,
    issued_on: str,
    to: tuple[str, ...],
    by: str,
    folder: Path,
) -> None:
    """Send a notice that names LOTS, an identifier or dates of expiry; it is in force."""
    named = read_criteria(lots, identifier, expires_from, expires_to, as_typed=as_typed)
    with open_store(folder) as store:
        _refuse_unit(store)
        note_here(store, "write", "network-recalls", why=_by_command(by, reason))
        record = add_network_recall(
            store,
            named,
            item=item,
            reason=reason,
            issued_on=issued_on,
            to=to,
            by=by,
            chance=draw_chance(),
        )
    click.echo(f"{record} is in force. See how units answer: crura hub recall list")
    tell_held(named)


@network_recall_group.command("withdraw")
@click.argument("notice")
@person_option
@click.option("--because", required=True)
@data_option
def withdraw(notice: str, by: str, because: str, folder: Path) -> None:
    """Say that NOTICE (network_recall/<id>) is in force no longer."""
    with open_store(folder) as store:
        _refuse_unit(store)
        note_here(store, "withdraw", "network-recalls", (notice,), _by_command(by, because))
        withdraw_network_recall(store, notice, by=by, because=because, chance=draw_chance())
    click.echo(f"{notice} is withdrawn.")


@network_recall_group.command("list")
@click.option("--notice", help="This one alone.")
@click.option("--csv", "csv_file", type=click.Path(path_type=Path), help="Write its units there.")
@_FORMAT
@data_option
def list_notices(notice: str | None, csv_file: Path | None, form: str, folder: Path) -> None:
    """Say of every notice how many devices each unit has, and how it answers."""
    now_ms = ENVIRONMENT.now_ms()
    if csv_file is not None and notice is None:
        refuse("A CSV is of one notice. Name it: --notice network_recall/<id>.")
    with open_store(folder) as store:
        _refuse_unit(store)
        note_here(store, "read", "network-recalls")
        found = (
            [show_network_recall(store, notice, now_ms=now_ms)]
            if notice is not None
            else list_network_recalls(store, now_ms=now_ms)
        )
    if csv_file is not None:
        write_file(csv_file, write_answers_csv(found[0]).encode())
    if form == "json":
        _echo_json(found)
        return
    for one in found:
        _tell_notice(one)
    click.echo(f"Notices in force: {sum(one.withdrawn_ms is None for one in found)}.")


@click.group("links")
def links_group() -> None:
    """At the hub: patients of different units that may be one person. Two people join them."""


@links_group.command("list")
@click.option("--state", type=click.Choice(["proposed", "joined", "parted"]), default="proposed")
@_FORMAT
@data_option
def list_proposals(state: Any, form: str, folder: Path) -> None:  # noqa: ANN401  one of the choice
    """List proposals, the likeliest first, with what agrees and who has said what."""
    with open_store(folder) as store:
        _refuse_unit(store)
        note_here(store, "read", "network-links", why=state)
        tend_links(store, now_ms=ENVIRONMENT.now_ms(), draw_chance=draw_chance)
        found = list_links(store, state, by="")
    if form == "json":
        _echo_json(found)
        return
    for one in found.links:
        _tell_link(one)
    for finding in found.findings:
        click.echo(f"Not counted as one person ({finding.why}): {', '.join(finding.records)}")
    click.echo(f"Links {state}: {len(found.links)}{' and more' if found.more else ''}.")


@links_group.command("join")
@click.argument("link")
@person_option
@data_option
def join(link: str, by: str, folder: Path) -> None:
    """Agree that the two of LINK (network_link/<id>) are one person; a second person agrees too."""
    standing = _decide(folder, link, "agree", by)
    click.echo(
        f"{link} is joined."
        if standing == "joined"
        else f"Noted. {link} is joined once a second person, or a unit of the two, agrees."
    )


@links_group.command("part")
@click.argument("link")
@click.option(
    "--because",
    type=click.Choice([*REASONS["set-aside"], *REASONS["part"]]),
    required=True,
    help="The first two set a proposal aside, the others part what was joined.",
)
@person_option
@data_option
def part(link: str, because: str, by: str, folder: Path) -> None:
    """Set the proposal LINK aside, or say that what was joined is parted; two people part it."""
    act: LinkAct = "part" if because in REASONS["part"] else "set-aside"
    standing = _decide(folder, link, act, by, because)
    click.echo(
        f"Noted. {link} stays joined until a second person says so too."
        if standing == "joined"
        else f"{link} is parted."
    )


@links_group.command("take-back")
@click.argument("link")
@person_option
@data_option
def take_back(link: str, by: str, folder: Path) -> None:
    """Take back what you alone have said of LINK: that they are one, or that they be parted."""
    _decide(folder, link, "take-back", by)
    click.echo(f"Taken back. Nothing of yours stands on {link}.")


@links_group.command("reopen")
@click.argument("link")
@click.option(
    "--because",
    type=click.Choice(REASONS["reopen"]),
    required=True,
    help="Why people decide anew.",
)
@person_option
@data_option
def reopen(link: str, because: str, by: str, folder: Path) -> None:
    """Open LINK again, which was parted or set aside; nobody is joined by it."""
    _decide(folder, link, "reopen", by, because)
    click.echo(f"{link} is open again. Two people join them, as before.")


def _decide(folder: Path, link: str, act: LinkAct, by: str, because: str = "") -> str:
    with open_store(folder) as store:
        _refuse_unit(store)
        note_here(store, act, "network-links", (link,), _by_command(by, because))
        return decide_link(store, link, act, because=because, by=by, chance=draw_chance())


def _by_command(by: str, because: str) -> str:
    """Return what the trail says: at a shell nothing shows that it is the person who is named."""
    return f"by command, as {by}: {because}"


def _refuse_unit(store: UnitStore) -> None:
    if not is_hub(store):
        refuse("This folder is that of a unit. Run this at the hub: --data DIR.")


def _tell_notice(one: NetworkNotice) -> None:
    click.echo(f"{one.notice}, {one.state}, issued {one.issued_on}: {one.reason}")
    for unit in one.units:
        found = (
            "no answer yet"
            if unit.answer == "none"
            else f"{unit.answer}: {_number(unit.found_patients)} patients{_tell_apart(unit)}, "
            f"{_number(unit.unknown_lots)} unknown lots, {_number(unit.on_shelf)} on the shelf"
        )
        behind = "; more cases were reported since" if unit.is_behind else ""
        click.echo(
            f"  {unit.name}: reported {unit.exact} exact, {unit.near} near, {unit.unknown} of "
            f"unknown lot; {found}; {unit.waiting_days} days{behind}"
        )


def _tell_apart(unit: UnitStanding) -> str:
    if unit.found_patients is None:
        return ""
    if unit.exact_patients is None:
        return " (exact and near not told apart)"
    return f" ({unit.exact_patients} exact, {_number(unit.near_patients)} near)"


def _tell_link(one: NetworkLink) -> None:
    chance = one.weighing.per_mille
    likely = one.probability_per_mille if chance is None else chance
    click.echo(f"{one.link}, {likely} of 1,000")
    for side in (one.a, one.b):
        click.echo(f"  {side.unit_name}: {side.patient}, born {side.birth_year or 'unknown'}")
    click.echo(f"  {'; '.join(f'{trait.trait}: {trait.level}' for trait in one.traits)}")
    _tell_weighing(one.weighing)
    for agreed in one.agreed:
        click.echo(f"  agreed: {agreed.name or agreed.staff}")
    for parting in one.parting:
        click.echo(f"  says to part them: {parting.name or parting.staff}, {parting.because}")
    for answer in one.answers:
        click.echo(f"  {answer.unit_name} answers: {answer.answer or 'two answers'}")


def _tell_weighing(one: Weighing) -> None:
    """Say what each field adds; ten tenths double the odds."""
    added = ", ".join(f"{field.trait} {_points(field.tenths)}" for field in one.fields)
    click.echo(
        f"  points: start {_points(one.start_tenths)}, {added}; sum {_points(one.sum_tenths)}, "
        f"shown from {_points(one.shown_from_tenths)}; identifiers that agree: "
        f"{len(one.identifiers)} of the {one.identifiers_needed} needed to join"
    )


def _points(tenths: int | None) -> str:
    return "not weighed" if tenths is None else f"{tenths / 10:+.1f}"


def _number(count: int | None) -> str:
    return "?" if count is None else str(count)


def _echo_json(found: object) -> None:
    click.echo(json.dumps(msgspec.to_builtins(found), ensure_ascii=False, indent=1))
