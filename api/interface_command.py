"""The command that describes the HTTP side: a unit in use tells it to nobody who asks over HTTP."""

import json
import tempfile
from pathlib import Path

import rich_click as click

from api.command_parts import ENVIRONMENT, refusals
from api.storage.static_files import StaticFiles
from api.storage.unit_store import open_unit_store


@click.command("describe-interface")
def describe_interface() -> None:
    """Print the HTTP side as OpenAPI 3.1, with an example of each calculation."""
    # The web framework takes half a second to load, which few commands need.
    from api.app import create_app

    with refusals(), tempfile.TemporaryDirectory(prefix="crura-interface-") as name:
        store = open_unit_store(Path(name), new_generation=ENVIRONMENT.new_id())
        try:
            key = ENVIRONMENT.new_token()
            app = create_app(store, ENVIRONMENT, StaticFiles({}), local_key=key, with_schema=True)
            described = app.openapi_schema.to_schema()
        finally:
            store.close()
    click.echo(json.dumps(described, ensure_ascii=False, indent=1))
