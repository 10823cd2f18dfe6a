"""Commands for the keys of the server."""

from pathlib import Path

import rich_click as click

from api.command_parts import ENVIRONMENT, data_option, open_store
from api.use_cases.replace_key import rotate_server_key


@click.group("key")
def key_group() -> None:
    """Keys of the server."""


@key_group.command("rotate-server")
@data_option
def rotate_server(folder: Path) -> None:
    """Put a new key in the place of the unit server's signing key, while the server is stopped.

    The former key is kept beside it: what it signed stays valid, and what tablets had sealed for it
    opens. Invite each tablet again afterwards; until then it starts from no segment. A unit of a
    network joins its hub again, without leaving it first.
    """
    with open_store(folder) as store:
        done = rotate_server_key(
            store,
            folder,
            new_epoch=ENVIRONMENT.new_id(),
            draw_salt=ENVIRONMENT.new_salt,
            now_ms=ENVIRONMENT.now_ms(),
        )
    click.echo(
        f"The server signs by {done.present[:16]} now, no longer by {done.former[:16]}. Second "
        f"factors sealed anew: {done.second_factors}. Make a backup, and invite each tablet again."
    )
    if done.is_in_network:
        click.echo(
            "The hub knows this unit by the former key: join it again (crura hub join LINK)."
        )
