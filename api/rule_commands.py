"""Commands for the unit's rule files: list, propose, approve, retire, and the end of training."""

from collections.abc import Callable, Mapping
from pathlib import Path

import rich_click as click

from api.clinical_rules.errors import RuleFileError
from api.command_parts import data_option, draw_chance, open_store, refuse, today_of
from api.storage.unit_store import UnitStore
from api.use_cases.network_rule_files import (
    list_offered_rule_files,
    send_rule_file,
    take_offered,
    withdraw_rule_file,
)
from api.use_cases.release_rule_files import (
    ReleaseLine,
    approve_rule_file,
    go_live,
    list_rule_files,
    propose_rule_file,
    retire_rule_file,
)
from api.use_cases.rule_file_diff import diff_rule_files
from api.use_cases.server_role import is_hub

_AGAINST: Mapping[str, str] = {
    "in force": "Against version {}, which is in force here:",
    "before": "Against version {}, which was in force here before it:",
    "built-in": "No other version is in force here. Against version {} of the program:",
    "none": "There is no version to compare it with.",
}


def _by_option(command: Callable[..., None]) -> Callable[..., None]:
    return click.option("--by", required=True, help="Who decides: staff/<id>.")(command)


def _because_option(command: Callable[..., None]) -> Callable[..., None]:
    return click.option("--because", required=True, help="Why; the units read it.")(command)


def _refuse_a_unit(store: UnitStore) -> None:
    if not is_hub(store):
        refuse("This is the folder of a unit. A hub offers rule files.")


def _tell(line: ReleaseLine) -> None:
    names = f" Approved by {', '.join(line.approved_by)}." if line.approved_by else ""
    why = f" ({line.why})" if line.why else ""
    click.echo(f"{line.name} version {line.version}: {line.standing}{why}.{names}")


@click.group("rules")
def rules_group() -> None:
    """Rule files of the unit: each is approved by two people before it counts."""


@rules_group.command("list")
@data_option
def list_files(folder: Path) -> None:
    """Show every rule file and where it stands today."""
    with open_store(folder) as store:
        for line in list_rule_files(store, on=today_of(store)):
            _tell(line)


@rules_group.command("diff")
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
def diff(old: Path, new: Path) -> None:
    """Say what changes from one version of a rule file to another, in words and numbers."""
    try:
        sentences = diff_rule_files(old.read_bytes(), new.read_bytes())
    except OSError as error:
        refuse(f"{error.filename} cannot be read ({error.strerror}). Name a rule file.")
    except RuleFileError as error:
        refuse(str(error))
    click.echo("\n".join(sentences) if sentences else "Nothing changes but the version.")


@rules_group.command("propose")
@click.argument("file", type=click.Path(path_type=Path))
@_by_option
@data_option
def propose(file: Path, by: str, folder: Path) -> None:
    """Take a rule file that the unit wrote, as a draft."""
    try:
        content = file.read_bytes()
    except OSError as error:
        refuse(f"{file} cannot be read ({error.strerror}). Name a rule file.")
    with open_store(folder) as store:
        _tell(propose_rule_file(store, content, by=by, chance=draw_chance()))


@rules_group.command("approve")
@click.argument("name")
@click.argument("version", type=int)
@_by_option
@click.option("--from", "from_on", help="First day in force (default: today).")
@click.option("--although-withdrawn", is_flag=True, help="The hub has withdrawn it; you know why.")
@data_option
def approve(
    name: str, version: int, by: str, from_on: str | None, although_withdrawn: bool, folder: Path
) -> None:
    """Approve one version; it counts once two people have, one of them an endoscopist."""
    with open_store(folder) as store:
        on = today_of(store)
        line = approve_rule_file(
            store,
            name,
            version,
            by=by,
            from_on=from_on or on,
            on=on,
            chance=draw_chance(),
            although_withdrawn=although_withdrawn,
        )
        _tell(line)


@rules_group.command("retire")
@click.argument("name")
@click.argument("version", type=int)
@_by_option
@data_option
def retire(name: str, version: int, by: str, folder: Path) -> None:
    """Take one version out of force from today."""
    with open_store(folder) as store:
        on = today_of(store)
        _tell(retire_rule_file(store, name, version, by=by, on=on, chance=draw_chance()))


@rules_group.command("go-live")
@_by_option
@data_option
def end_training(by: str, folder: Path) -> None:
    """End training: from now on only approved rule files compute."""
    with open_store(folder) as store:
        go_live(store, by=by, on=today_of(store), chance=draw_chance())
    click.echo("The unit is live: only approved rule files compute from today.")


@rules_group.command("offer")
@click.argument("name")
@click.argument("version", type=int)
@_by_option
@_because_option
@data_option
def offer(name: str, version: int, by: str, because: str, folder: Path) -> None:
    """At the hub: offer a version that two people approved to all units."""
    with open_store(folder) as store:
        _refuse_a_unit(store)
        on, chance = today_of(store), draw_chance()
        send_rule_file(store, name, version, by=by, because=because, on=on, chance=chance)
    click.echo(f"{name} version {version} is offered. Each unit decides for itself.")


@rules_group.command("withdraw")
@click.argument("name")
@click.argument("version", type=int)
@_by_option
@_because_option
@data_option
def withdraw(name: str, version: int, by: str, because: str, folder: Path) -> None:
    """At the hub: take an offer back; a unit that has taken it keeps it."""
    with open_store(folder) as store:
        _refuse_a_unit(store)
        withdraw_rule_file(store, name, version, by=by, because=because, chance=draw_chance())
    click.echo(f"{name} version {version} is no longer offered.")


@rules_group.command("offered")
@data_option
def list_offered(folder: Path) -> None:
    """At a unit: show what the hub offers, and what each offer would change here."""
    with open_store(folder) as store:
        offered = list_offered_rule_files(store, on=today_of(store))
    for one in offered:
        click.echo(f"{one.file} version {one.version}: {one.standing}. {one.because}")
        if one.is_withdrawn:
            here = f" It is {one.here} here." if one.here else ""
            click.echo(f"  The hub has withdrawn it: {one.withdrawn_because}.{here}")
        click.echo(f"  {_AGAINST[one.against.standing].format(one.against.version)}")
        for sentence in one.sentences:
            click.echo(f"  {sentence}")
    if not offered:
        click.echo("The hub offers no rule file.")


@rules_group.command("take")
@click.argument("name")
@click.argument("version", type=int)
@_by_option
@data_option
def take(name: str, version: int, by: str, folder: Path) -> None:
    """At a unit: lay an offered version beside the unit's own as a draft, to be approved."""
    with open_store(folder) as store:
        offered = list_offered_rule_files(store, on=today_of(store))
        found = [one for one in offered if (one.file, one.version) == (name, version)]
        if not found:
            refuse(f"The hub offers no {name} version {version}. List them: crura rules offered.")
        _tell(take_offered(store, found[0].proposal, by=by, chance=draw_chance()))
