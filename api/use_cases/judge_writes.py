"""Judges what a device wrote by the authorisation table: its stream, its kind, each field."""

from collections.abc import Collection, Iterable, Mapping, Sequence

from api.access.access_table import Asker
from api.record_catalogue.catalogue import Catalogue
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
from sync.merge import RecordState, shown_value
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

    Notes
    -----
    SEC-21, SEC-22, FU-11. A device that was revoked is judged by the role it had; what it may hand
    over is decided by its end (EX12).
    """
    by_table = why_not_by_table(store.catalogue, operation, origin)
    return by_table or next(iter(why_not_own(store, [operation], origin)))


def why_not_by_table(catalogue: Catalogue, operation: Operation, origin: Device) -> str | None:
    """Return why a device may not write this whatever is held here, None where it may.

    Kinds and fields that this catalogue does not know pass where the device's role may write the
    stream: a newer program wrote them, and nothing of it may be lost (HAZ-38). A unit speaks for
    itself alone.
    """
    if (foreign := why_not_in_stream(operation, origin)) is not None:
        return foreign
    table, asker = read_packaged_access_table(), _asker(origin)
    denied = table.fields_denied(
        asker,
        "write",
        catalogue,
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
    if origin.role == UNIT_ROLE and _said(operation).get("unit", operation.device) != (
        operation.device
    ):
        return f"{operation.op_id} speaks for another unit. {_ASIDE}"
    return None


def why_not_own(
    store: UnitStore, operations: Sequence[Operation], origin: Device
) -> list[str | None]:
    """Return of each operation why a unit may not write on this record of the registry (RG14).

    None on its own, and for every device that is no unit. A unit may learn how another one calls a
    patient, from a link that is proposed to both, and it can work out in which record another one
    answers the hub: nobody writes there in its place.

    Each is held against the store as it is now, before any of them: so a unit may write several on
    a new record. What is held is asked for once, for all of them.
    """
    if origin.role != UNIT_ROLE:
        return [None] * len(operations)
    said = [_said(one) for one in operations]
    shown = store.views.states_of(
        one.record
        for one, fields in zip(operations, said, strict=True)
        if one.kind in ABOUT_FIELDS and ABOUT_FIELDS[one.kind] not in fields
    )
    named = [(one.record, *_named_in(fields)) for one, fields in zip(operations, said, strict=True)]
    writers = store.registry.writers_of({record for some in named for record in some})
    return [
        _refuse_answer(one, fields, shown.get(one.record)) or _refuse_records(one, some, writers)
        for one, fields, some in zip(operations, said, named, strict=True)
    ]


def _refuse_answer(
    operation: Operation, said: Mapping[str, object], shown: RecordState | None
) -> str | None:
    field = ABOUT_FIELDS.get(operation.kind)
    if field is None:
        return None
    about = said.get(field)
    if field not in said:
        about = shown_value(shown.fields.get(field)) if shown is not None else None
    if isinstance(about, str) and operation.record == name_answer(
        operation.kind, operation.device, about
    ):
        return None
    return (
        f"{operation.op_id} answers the hub in {operation.record}, which is not "
        f"{operation.device}'s record for that answer. {_ASIDE}"
    )


def _refuse_records(
    operation: Operation, records: Iterable[str], writers: Mapping[str, Collection[str]]
) -> str | None:
    for record in records:
        if any(device != operation.device for device in writers.get(record, ())):
            return f"{operation.op_id} is about {record}, which another unit has told. {_ASIDE}"
    return None


def _said(operation: Operation) -> Mapping[str, object]:
    return {} if operation.body_text is None else decode_body(operation.body_text).set


def _named_in(said: Mapping[str, object]) -> tuple[str, ...]:
    """Return the records of the registry that an operation names in its fields."""
    return tuple(
        value
        for value in said.values()
        if isinstance(value, str) and value.partition("/")[0] in _OF_UNITS
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
    if (_asker(origin).name, "write", operation.stream) in read_packaged_access_table().grants:
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
