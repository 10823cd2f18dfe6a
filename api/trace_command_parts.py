"""What the commands of recalls share: how a device is named, how finds are told, whom to ask."""

from collections.abc import Callable
from typing import Any

import rich_click as click

from api.clinical_rules.implant_search import GROUPS, ITEMS
from api.clinical_rules.typed_lots import split_lots
from api.storage.running_server import RunningServer, ask_running_server
from api.use_cases.find_lots import LotSearch
from api.use_cases.implant_owners import FoundImplant
from api.use_cases.recalls import OnShelf

# A search over a million implants takes a tenth of a second; a busy server takes longer.
SEARCH_SECONDS = 60.0
_TITLES = {
    "same": "This lot",
    "alike": "Looks alike",
    "near": "Near: one sign apart, or something else differs",
    "shelf": "By the item on the shelf: nobody recorded the identifier of the label",
    "unknown": "Nobody knows: look into these cases",
}


def criteria_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add what a device can be told by, beside its lot, and how a lot is read."""
    for option in (
        click.option("--as-typed", is_flag=True, help="Take each LOT as one, whatever parts it."),
        click.option("--item", type=click.Choice(ITEMS), help="Narrow to one kind of device."),
        click.option("--expires-to", help="Last date of expiry."),
        click.option("--expires-from", help="First date of expiry."),
        click.option("--identifier", help="Device identifier: GTIN or HIBC."),
    ):
        command = option(command)
    return command


def read_criteria(
    lots: tuple[str, ...],
    identifier: str | None,
    expires_from: str | None,
    expires_to: str | None,
    *,
    as_typed: bool,
) -> dict[str, Any]:
    """Return what a notice names, as `add_recall` takes it; what was left out narrows nothing."""
    named = {
        "identifier": identifier,
        "lots": read_lots(lots, as_typed=as_typed),
        "expires_from": expires_from,
        "expires_to": expires_to,
    }
    return {key: value for key, value in named.items() if value}


def read_lots(lots: tuple[str, ...], *, as_typed: bool) -> list[str]:
    """Return each lot that was typed, once: whole, and in its parts where nobody forbids (LT14)."""
    each = lots if as_typed else [lot for typed in lots for lot in split_lots(typed)]
    return list(dict.fromkeys(each))


def tell_held(named: dict[str, Any]) -> None:
    """Tell which lots a notice holds, one a line: what was typed may name several (LT14)."""
    for lot in named.get("lots", []):
        click.echo(f"  holds lot {lot}")


def person_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add who does it."""
    return click.option("--by", required=True, help="Who does it: staff/<id>.")(command)


def ask_server(server: RunningServer, path: str, content: dict[str, Any]) -> dict[str, Any]:
    """Let the running server do something about recalls, or tell something."""
    return ask_running_server(
        server, path, content, about="recall notices", longest_seconds=SEARCH_SECONDS
    )


def tell_found(found: LotSearch) -> None:
    """Tell what a search found, group by group."""
    for caution in found.cautions:
        click.echo(caution, err=True)
    for group in GROUPS:
        rows = [one for one in found.implants if one.group == group]
        if rows:
            click.echo(f"{_TITLES[group]} ({len(rows)}):")
        for one in rows:
            click.echo(f"  {_say(one)}")
    click.echo(
        f"Patients found: {found.found}. Further patients whose lot nobody knows: {found.unknown}."
    )


def _say(one: FoundImplant) -> str:
    parts = [
        one.on_day or "no day",
        one.number or one.patient or "no patient",
        one.name,
        one.what,
        one.fate,
        f"lot {one.lot}" if one.lot else "lot unknown",
        f"serial {one.serial}" if one.serial else "",
        f"expires {one.expires_on}" if one.expires_on else "",
        f"differs in {', '.join(one.differs)}" if one.differs else "",
        ", ".join(one.marks),
        one.case,
    ]
    return "  ".join(part for part in parts if part)


def say_shelf(lot: OnShelf) -> str:
    """Return in one line what lies on the shelf of a lot."""
    named = f"lot {lot.lot}" if lot.lot else "lot unknown"
    return f"{lot.name}, {named}, {lot.count} ({_TITLES[lot.group].split(':')[0].lower()})"
