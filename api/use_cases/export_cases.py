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
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError


def gather_tables(store: UnitStore) -> dict[str, list[dict[str, Any]]]:
    """Return every table by name with its rows, the data dictionary last."""
    with store.transaction():
        states = {kind: store.views.of_kind(kind) for kind in TABLES}
    tables = make_tables(store.catalogue, states)
    return {**tables, DICTIONARY: make_dictionary(store.catalogue)}


def export_cases_as_csv(store: UnitStore) -> dict[str, str]:
    """Return file name to CSV text for every table."""
    return {
        f"{name}.csv": write_table(columns_of_table(store.catalogue, name), rows)
        for name, rows in gather_tables(store).items()
    }


def export_cases_as_json(store: UnitStore) -> bytes:
    """Return every table as one JSON object."""
    content = {"catalogue": store.catalogue.version, "tables": gather_tables(store)}
    return json.dumps(content, ensure_ascii=False, indent=1).encode()


def export_cases_for(store: UnitStore, device: Device) -> bytes:
    """Return the same to a device that reads care.

    Raises
    ------
    NotAllowedError
        It reads none: what was done to a patient is no business of booking (FU-11).
    """
    if "care" not in device.streams:
        raise NotAllowedError("Cases are for bedside devices. Ask one of those.")
    return export_cases_as_json(store)
