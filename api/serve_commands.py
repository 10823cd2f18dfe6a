"""Commands that serve: one unit, a network's hub, or a demonstration of either."""

import tempfile
from collections.abc import Callable
from pathlib import Path

import rich_click as click

from api.command_parts import DEFAULT_PORT, ENVIRONMENT, data_option, refusals, refuse
from api.demonstration import prepare_demonstration
from api.storage.encrypted_backups import read_recipients
from api.storage.opened_store import named_database, note_database, open_store_of
from api.storage.outside_heads import refuse_place
from api.storage.unit_store import open_unit_store
from api.use_cases.server_role import settle_role

_HEADS_STAY = (
    "The signed ends of the logs stay in the store that they guard: give --heads-to a folder on "
    "another machine."
)


def _port_option(command: Callable[..., None]) -> Callable[..., None]:
    return click.option(
        "--port", type=click.IntRange(1, 65535), default=DEFAULT_PORT, show_default=True
    )(command)


@click.command("serve")
@data_option
@click.option("--host", default="127.0.0.1", show_default=True)
@_port_option
@click.option("--certificate", type=click.Path(path_type=Path), help="PEM file, for HTTPS.")
@click.option(
    "--private-key", "--key", type=click.Path(path_type=Path), help="PEM file, for HTTPS."
)
@click.option(
    "--host-name",
    "host_names",
    multiple=True,
    help="A name by which tablets open the server, without port; may be given more than once.",
)
@click.option(
    "--behind-proxy", is_flag=True, help="A proxy on this machine ends the HTTPS (see README)."
)
@click.option(
    "--backup-to",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for encrypted backups while serving; best on another disk.",
)
@click.option("--backup-every", type=click.IntRange(1, 1440), default=60, show_default=True)
@click.option("--backups-kept", type=click.IntRange(2, 10_000), default=72, show_default=True)
@click.option(
    "--heads-to",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder elsewhere that gets where every log ends, signed, once a day.",
)
@click.option("--hub", "as_hub", is_flag=True, help="Serve a network's hub, to which units join.")
@click.option(
    "--database",
    "database",
    envvar="CRURA_DATABASE",
    help="postgresql://... of the hub; left out: a file in the data folder, for one process.",
)
def serve_here(
    folder: Path,
    host: str,
    port: int,
    certificate: Path | None,
    private_key: Path | None,
    host_names: tuple[str, ...],
    behind_proxy: bool,
    backup_to: Path | None,
    backup_every: int,
    backups_kept: int,
    heads_to: Path | None,
    as_hub: bool,
    database: str | None,
) -> None:
    """Serve the app and the exchange of one unit, or a hub; --backup-every is minutes.

    Several processes may serve one hub: give each the same --database, a port of its own, and a
    --data folder with the same key.
    """
    # The web framework takes half a second to load, which only serving needs.
    from api.serving import BackupPlan, Listening, open_socket, serve

    listening = Listening(host, port, certificate, private_key, host_names, behind_proxy)
    if database and not as_hub:
        refuse("A database is for a hub: add --hub, or leave --database out.")
    with refusals():
        backups = None
        if database:
            note_database(folder, database)
        if backup_to is not None:
            readers = read_recipients((), folder)
            backups = BackupPlan(backup_to, readers, backup_every * 60.0, backups_kept)
        if heads_to is not None:
            refuse_place(heads_to, folder)
        bound = open_socket(listening)
        store = open_store_of(folder, new_generation=ENVIRONMENT.new_id())
        try:
            settle_role(store, as_hub=as_hub)
        except BaseException:
            store.close()
            raise
        serves = "the hub of" if as_hub else ""
        serve(
            store,
            folder,
            listening,
            bound,
            ENVIRONMENT,
            on_ready=lambda: click.echo(
                f"Crura serves {serves} {folder}".replace("  ", " ")
                + f" at {listening.address} (stop with Ctrl-C)."
                + ("" if heads_to else f"\n{_HEADS_STAY}")
            ),
            backups=backups,
            heads_to=heads_to,
            is_shared=named_database(folder) is not None,
        )


@click.command("demo")
@click.option("--host", default="127.0.0.1", show_default=True)
@_port_option
@click.option("--network", is_flag=True, help="Two units and the hub that they publish to.")
def serve_demo(host: str, port: int, network: bool) -> None:
    """Serve invented cases from a throw-away folder."""
    if network:
        from api.network_demonstration import show_network

        with refusals(), tempfile.TemporaryDirectory(prefix="crura-demo-") as name:
            show_network(Path(name), first_port=port, say=click.echo)
        return
    from api.serving import Listening, open_socket, serve

    listening = Listening(host, port)
    with refusals(), tempfile.TemporaryDirectory(prefix="crura-demo-") as name:
        folder = Path(name)
        bound = open_socket(listening)
        store = open_unit_store(folder, new_generation=ENVIRONMENT.new_id())
        try:
            welcome = prepare_demonstration(store, folder, listening.address, ENVIRONMENT)
        except BaseException:
            store.close()
            raise
        serve(
            store,
            folder,
            listening,
            bound,
            ENVIRONMENT,
            on_ready=lambda: click.echo(welcome),
        )


def add_serve_commands(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(serve_here)
    main.add_command(serve_demo)
