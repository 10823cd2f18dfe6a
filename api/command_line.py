"""The command `crura`: serve a unit, invite devices, calculate, verify, back up."""

import json
import sys
from pathlib import Path
from typing import Any

import msgspec
import rich_click as click

from api.backup_commands import backup, backup_key, drill, restore
from api.booking_commands import add_season, closed_days, propose
from api.bundle_commands import bundle_group
from api.calendar_commands import calendar_group
from api.case_commands import add_case_commands
from api.clinic_commands import add_clinic_commands
from api.command_parts import (
    ENVIRONMENT,
    data_option,
    do_here_or_there,
    open_store,
    refusals,
    today_of,
)
from api.demonstration import read_drawn_pictures
from api.device_commands import device_group
from api.document_commands import print_document
from api.follow_up_commands import check_follow_up_command
from api.hub_commands import hub_group
from api.interface_command import describe_interface
from api.key_commands import key_group
from api.linkage_commands import linkage, make_linkage_key
from api.metrics_command import metrics_command
from api.network_commands import add_network_commands
from api.people_commands import staff_group
from api.privacy_commands import add_privacy_commands, read_access_head
from api.retention_command import retention
from api.rule_commands import rules_group
from api.serve_commands import add_serve_commands
from api.stock_commands import stock_command
from api.storage.errors import StorageError
from api.storage.outside_heads import list_heads, read_heads
from api.storage.running_server import RunningServer, read_from_running_server
from api.trace_commands import add_trace_commands
from api.use_cases.answer_calculation import answer_calculation, read_calculation
from api.use_cases.check_plans import check_every_plan
from api.use_cases.load_scenario import load_scenario
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.rule_health import RuleHealth, count_rule_health
from api.use_cases.verify_log import verify_log


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="crura")
def main() -> None:
    """Crura keeps the cases of a unit that treats gastric varices.

    It is not a certified medical device. Local protocol and licensed practice decide.
    """


add_serve_commands(main)
main.add_command(rules_group)
main.add_command(bundle_group)
main.add_command(device_group)
main.add_command(staff_group)
main.add_command(hub_group)
main.add_command(key_group)
hub_group.add_command(linkage)
add_network_commands(hub_group)
hub_group.add_command(make_linkage_key)
main.add_command(add_season)
main.add_command(propose)
main.add_command(closed_days)
main.add_command(calendar_group)
add_clinic_commands(main)
add_case_commands(main)
add_trace_commands(main)
add_privacy_commands(main)
main.add_command(retention)
main.add_command(check_follow_up_command)
main.add_command(print_document)
main.add_command(stock_command)
main.add_command(metrics_command)
main.add_command(describe_interface)
for backup_command in (backup, restore, drill, backup_key):
    main.add_command(backup_command)


@main.command("calculate")
@click.argument("kind")
@click.option(
    "--data",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Ask a unit's rule files (left out: those of this release, for training).",
)
def calculate(kind: str, folder: Path | None) -> None:
    """Read one JSON object from standard input and write the answer.

    KIND is liver-scores, sizing, follow-up, antithrombotic-holds or device-label. Of a unit also
    while its server runs, which then answers.
    """
    request = sys.stdin.buffer.read()

    def there(server: RunningServer) -> dict[str, Any]:
        asked = read_calculation(kind, request)
        return read_from_running_server(server, f"/api/calculate/{kind}", asked, about=kind)

    with refusals():
        if folder is None:
            answer = answer_calculation(kind, request, on=ENVIRONMENT.today())
        else:
            answer = do_here_or_there(
                folder,
                lambda store: answer_calculation(kind, request, on=today_of(store), store=store),
                there,
            )
    click.echo(json.dumps(answer, ensure_ascii=False, indent=1))


@main.command("verify")
@click.option(
    "--access-head",
    "access_heads",
    type=click.Path(path_type=Path),
    multiple=True,
    help="A file that `crura audit head` wrote and that was kept elsewhere.",
)
@click.option(
    "--heads",
    "places",
    type=click.Path(path_type=Path),
    multiple=True,
    help="The folder that `crura serve --heads-to` wrote into, or one file of it.",
)
@data_option
def verify(access_heads: tuple[Path, ...], places: tuple[Path, ...], folder: Path) -> None:
    """Check the seal, and every hash, chain, commitment, signature and view of a store."""
    heads = [read_access_head(path) for path in access_heads]
    with refusals():
        outside = [read_heads(path) for place in places for path in list_heads(place)]
    with open_store(folder) as store:
        verification = verify_log(store, heads, outside)
    for line in (*verification.findings, *verification.remarks):
        click.echo(line, err=True)
    if verification.findings:
        sys.exit(2)
    click.echo(f"{verification.operations} operations in {verification.logs} logs are sound.")


@main.command("load-scenario")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--as-if-today", "today_on", help='A date or "today": the story ends on that day.')
@data_option
def load(files: tuple[Path, ...], today_on: str | None, folder: Path) -> None:
    """Load invented stories into a store. The same story twice changes nothing."""
    with open_store(folder) as store:
        wanted = today_of(store) if today_on == "today" else today_on
        for path in files:
            try:
                content = path.read_bytes()
            except OSError as error:
                message = f"{path} cannot be read ({error.strerror}). Name a scenario file."
                raise StorageError(message) from error
            loaded = load_scenario(
                store,
                path.stem,
                content,
                today_on=wanted,
                pictures=read_drawn_pictures(path.parent),
            )
            click.echo(f"{path.name}: {loaded.title} ({loaded.operations} operations).")


@main.command("rebuild-views")
@data_option
def rebuild(folder: Path) -> None:
    """Make every view again from the log."""
    with open_store(folder) as store:
        click.echo(f"{rebuild_views(store)} records were merged again.")


@main.command("check-plans")
@data_option
def check_plans(folder: Path) -> None:
    """Compute every recorded plan again and name those that differ; changes no plan."""
    with open_store(folder) as store:
        found = check_every_plan(store)
    for plan in found.plans:
        labels = ", ".join(plan.labels) or "no target named"
        click.echo(f"{plan.record} ({labels}), saved by {plan.by}:", err=True)
        for difference in plan.differences:
            click.echo(f"  {difference.words} ({difference.path})", err=True)
        if plan.left_out:
            click.echo(f"  and {plan.left_out} more", err=True)
        if plan.sentence:
            click.echo(f"  cannot be checked. {plan.sentence}", err=True)
    wrong = len(found.plans)
    click.echo(
        f"Plans that agree: {found.agreed}. Plans that differ or cannot be checked: {wrong}."
    )
    if found.plans or found.waiting:
        sys.exit(2)


@main.command("rule-health")
@data_option
def rule_health(folder: Path) -> None:
    """Say how often each gate came up and was passed, and which want a review.

    From the record alone: what came up at Plan or Close-out and was followed is not counted. Also
    while the server runs, which then counts.
    """

    def there(server: RunningServer) -> list[RuleHealth]:
        told = read_from_running_server(server, "/api/rule-health", about="gates")
        return msgspec.convert(told["rules"], list[RuleHealth])

    rules = do_here_or_there(folder, count_rule_health, there)
    for rule in rules:
        click.echo(_say_health(rule))
    marked = sum(rule.wants_review for rule in rules)
    click.echo(f"Rules that came up: {len(rules)}. Rules that want a review: {marked}.")


def _say_health(rule: RuleHealth) -> str:
    median = "none" if rule.median_ms is None else f"{rule.median_ms / 1000:.1f} s"
    return (
        f"{rule.rule}: came up {rule.fires}, passed {rule.overrides} (other reason: "
        f"{rule.free_notes}), recorded all the same {rule.recorded_anyway}, median time to pass "
        f"{median}{'; review it' if rule.wants_review else ''}"
    )


if __name__ == "__main__":
    main()
