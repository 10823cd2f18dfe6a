"""The command that says what is on the shelf, what to order, and what expires."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import rich_click as click

from api.command_parts import address_of, data_option, do_here_or_there, today_of
from api.storage.running_server import read_from_running_server
from api.use_cases.count_shelf import by_name, count_shelf

_REMARKS = {
    "not-counted": "no delivery and no count recorded: count the shelf",
    "lot-not-delivered": "{count} taken of a lot unknown or never delivered: count the lots",
    "below-zero": "{count}, below zero: more taken than came, count the shelf",
    "two-expiries": "two use-by dates: look at the labels",
    "recalled": "{count} without a known lot recalled: lay them aside",
    "expired": "{count} without a known lot expired: lay them aside",
}


@click.command("stock")
@click.option("--on", help="Civil date by which lots expire (default: today).")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table")
@data_option
def stock_command(on: str | None, form: str, folder: Path) -> None:
    """Say what is on the shelf, what to order, and which lots expire, are expired or recalled.

    Also while the server runs, which then counts.
    """
    found = do_here_or_there(
        folder,
        lambda store: count_shelf(store, on=today_of(store) if on is None else on),
        lambda server: read_from_running_server(
            server, address_of("/api/stock", on=on), about="the shelf"
        ),
    )
    if form == "json":
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    names = found["names"]
    if not found["items"]:
        click.echo("No item is listed. Add coils, needles and adhesives on the place Stock.")
        return
    _show(
        "On the shelf",
        ("item", "packages", "usable", "order below", "order"),
        [
            (
                by_name(names, one["stock_id"]),
                _said(one["on_shelf"]),
                _said(one["usable"]),
                _said(one["reorder_below"]),
                "order" if one["reorder"] else "",
            )
            for one in found["items"]
        ],
    )
    days = found["near_expiry_days"]
    for title, key in (
        ("Recalled, still on the shelf", "recalled"),
        ("Expired, still on the shelf", "expired"),
        (f"Use by within {days} days", "near_expiry"),
    ):
        rows = [
            (by_name(names, one["stock_id"]), one["lot"], one["expires_on"] or "", one["on_shelf"])
            for one in found[key]
        ]
        if rows:
            _show(title, ("item", "lot", "use by", "packages"), rows)
    for line in _remarks(found):
        click.echo(line)
    click.echo(
        f"Items: {len(found['items'])}. To order: {len(found['reorder'])}. "
        f"Recalled: {len(found['recalled'])}. Expired: {len(found['expired'])}. "
        f"Near expiry: {len(found['near_expiry'])}."
    )


def _said(count: int | None) -> str:
    return "not counted" if count is None else str(count)


def _show(title: str, head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    table = [list(head), *([str(cell) for cell in row] for row in rows)]
    widths = [max(len(row[place]) for row in table) for place in range(len(head))]
    click.echo(title)
    for row in table:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        click.echo("  " + "  ".join(cells).rstrip())


def _remarks(found: dict[str, Any]) -> list[str]:
    """Return a sentence for each thing that somebody should look at."""
    names = found["names"]
    lines = [
        f"{by_name(names, item['stock_id'])}"
        f"{', lot ' + remark['lot'] if remark['lot'] else ''}: "
        f"{_REMARKS[remark['kind']].format(count=remark['count'])}."
        for item in found["items"]
        for remark in item["remarks"]
    ]
    lines += [
        f"Serial {one['serial']} of lot {one['lot'] or 'unknown'} stands on "
        f"{len(one['packages'])} packages: maybe one package opened twice. Look at "
        f"{', '.join(one['packages'])}."
        for one in found["doubles"]
    ]
    if found["unlisted"]:
        lines.append(
            f"{len(found['unlisted'])} packages name no listed item. Look at "
            f"{', '.join(found['unlisted'][:3])}."
        )
    return lines
