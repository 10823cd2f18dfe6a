"""The command that prints the numbers of the running server."""

from pathlib import Path

import rich_click as click

from api.command_parts import data_option, refusals, refuse
from api.storage.running_server import ask_for_metrics, find_running_server


@click.command("metrics")
@data_option
def metrics_command(folder: Path) -> None:
    """Print counts and times of requests since the server started, in the text form of Prometheus.

    They hold no names, ids or addresses: only routes, answers and times.
    """
    server = find_running_server(folder)
    if server is None:
        refuse(f"No server runs on {folder}. Start it by `crura serve`, then ask again.")
    with refusals():
        click.echo(ask_for_metrics(server), nl=False)
