"""Judges what a device wrote by the authorisation table: its stream, its kind, each field."""

from collections.abc import Mapping

from api.access.access_table import Asker
from api.storage.device_store import UNIT_ROLE, Device
from api.storage.packaged_access import read_packaged_access_table
from api.storage.unit_store import UnitStore
from api.use_cases.name_answers import ABOUT_FIELDS, name_answer
from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.server_role import HUB_DEVICE, is_hub
from api.use_cases.server_words import (
    REGISTERED_KINDS,
    refuse_brought_notice,
    refuse_brought_words,
)
from sync.merge import shown_value
from sync.operation import Operation, decode_body

# Records of the registry that belong to the unit which told them first.
_OF_UNITS = (
    "registry_patient",
    "registry_case",
    "registry_implant",
    "registry_look",
    "registry_event",
)
_ASIDE = "It is kept aside for the data manager."


def why_not_written(store: UnitStore, operation: Operation, origin: Device) -> str | None:
    """Return why a device may not write this, None where it may.

    Kinds and fields that this catalogue does not know pass where the device's role may write the
    stream: a newer program wrote them, and nothing of it may be lost (HAZ-38).

    Notes
    -----
    SEC-21, SEC-22, FU-11. A device that was revoked is judged by the role it had; what it may hand
    over is decided by its end (EX12).
    """
    if (foreign := why_not_in_stream(operation, origin)) is not None:
        return foreign
    table, asker = read_packaged_access_table(), _asker(origin)
    denied = table.fields_denied(
        asker,
        "write",
        store.catalogue,
        stream=operation.stream,
        kind=operation.kind,
        fields=lambda: _fields_of(operation),
    )
    if denied is None:
        return (
            f"{operation.op_id} writes {operation.kind}, which a {origin.role} device does not "
            f"write. {_ASIDE}"
        )
    if denied:
        return (
            f"{operation.op_id} writes {', '.join(denied)} of {operation.kind}, which a "
            f"{origin.role} device does not write. {_ASIDE}"
        )
    return _why_not_own(store, operation) if origin.role == UNIT_ROLE else None


def _why_not_own(store: UnitStore, operation: Operation) -> str | None:
    """Return why a unit may not write on this record of the registry, None on its own (RG14).

    A unit may learn how another one calls a patient, from a link that is proposed to both, and it
    can work out in which record another one answers the hub: nobody writes there in its place.
    """
    said = {} if operation.body_text is None else decode_body(operation.body_text).set
    if said.get("unit", operation.device) != operation.device:
        return f"{operation.op_id} speaks for another unit. {_ASIDE}"
    if operation.kind in ABOUT_FIELDS and not _is_own_answer(store, operation, said):
        return (
            f"{operation.op_id} answers the hub in {operation.record}, which is not "
            f"{operation.device}'s record for that answer. {_ASIDE}"
        )
    named = [
        value
        for value in said.values()
        if isinstance(value, str) and value.partition("/")[0] in _OF_UNITS
    ]
    for record in (operation.record, *named):
        if store.registry.is_of_other(record, operation.device):
            return f"{operation.op_id} is about {record}, which another unit has told. {_ASIDE}"
    return None


def _is_own_answer(store: UnitStore, operation: Operation, said: Mapping[str, object]) -> bool:
    field = ABOUT_FIELDS[operation.kind]
    about = said.get(field)
    if field not in said:
        held = store.views.state_of(operation.record)
        about = shown_value(held.fields.get(field)) if held is not None else None
    return isinstance(about, str) and operation.record == name_answer(
        operation.kind, operation.device, about
    )


def why_not_brought(store: UnitStore, operation: Operation, supplier: Device) -> str | None:
    """Return why a device may not bring what an unknown one, or the server, wrote.

    None where it may. Nothing proves who wrote it, so that it counts as if the supplier had: it
    gains nothing by another name (EX10).
    """
    if operation.device == SERVER_DEVICE:
        is_begun = store.views.state_of(operation.record) is not None
        if (words := refuse_brought_words(operation, is_begun=is_begun)) is not None:
            return words
        if operation.kind in (*REGISTERED_KINDS, "recall_notice"):
            return None
    if operation.device == HUB_DEVICE and is_hub(store):
        return refuse_brought_notice(
            operation, is_begun=store.views.state_of(operation.record) is not None
        )
    refused = why_not_written(store, operation, supplier)
    return refused and f"{refused} {supplier.id} brought it in the name of {operation.device}."


def why_not_in_stream(operation: Operation, origin: Device) -> str | None:
    """Return why a device may write nothing into a stream, None where it may."""
    if operation.stream in read_packaged_access_table().streams_of(_asker(origin), "write"):
        return None
    return (
        f"{operation.op_id} is in stream {operation.stream}, which a {origin.role} device does "
        f"not write. {_ASIDE}"
    )


def _asker(origin: Device) -> Asker:
    return Asker("device", origin.role, origin.id)


def _fields_of(operation: Operation) -> tuple[str, ...]:
    if operation.body_text is None:
        return ()
    body = decode_body(operation.body_text)
    return tuple(dict.fromkeys((*body.set, *body.over)))
