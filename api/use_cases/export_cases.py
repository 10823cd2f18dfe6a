"""Export every case as tables: CSV into a folder, or one JSON text; the dictionary goes along."""

import json
from typing import Any

from api.documents.case_tables import (
    DICTIONARY,
    TABLES,
    columns_of_table,
    make_dictionary,
    make_tables,
    write_table,
)
from api.record_catalogue.catalogue import Catalogue
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError


def gather_tables(store: UnitStore) -> dict[str, list[dict[str, Any]]]:
    """Return every table by name with its rows, the data dictionary last."""
    with store.transaction():
        states = {kind: store.views.of_kind(kind) for kind in TABLES}
    tables = make_tables(store.catalogue, states)
    return {**tables, DICTIONARY: make_dictionary(store.catalogue)}


def export_cases_as_json(store: UnitStore) -> bytes:
    """Return every table as one JSON object."""
    content = {"catalogue": store.catalogue.version, "tables": gather_tables(store)}
    return json.dumps(content, ensure_ascii=False, indent=1).encode()


def write_cases_as_csv(catalogue: Catalogue, exported: bytes) -> dict[str, str]:
    """Return file name to CSV text for every table that `export_cases_as_json` told.

    Raises
    ------
    CalculationError
        Another catalogue told them: a server that still runs an older or newer release.
    """
    content = json.loads(exported)
    if content["catalogue"] != catalogue.version:
        raise CalculationError(
            "The tables are of another release than this command: the server was not started again "
            "since. Start it again, then ask anew."
        )
    return {
        f"{name}.csv": write_table(columns_of_table(catalogue, name), rows)
        for name, rows in content["tables"].items()
    }


def export_cases_for(store: UnitStore, device: Device | None) -> bytes:
    """Return the same to a device that reads care; None is a command on the server.

    Raises
    ------
    NotAllowedError
        It reads none: what was done to a patient is no business of booking (FU-11).
    """
    if device is not None and "care" not in device.streams:
        raise NotAllowedError("Cases are for bedside devices. Ask one of those.")
    return export_cases_as_json(store)
