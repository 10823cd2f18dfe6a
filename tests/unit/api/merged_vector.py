"""Merges what the named operations of a shared vector wrote, for the tests of the unit."""

from typing import Any

from api.storage.unit_store import read_packaged_catalogue
from sync.clock import Stamp
from sync.merge import RecordState, merge_record
from sync.operation import Body, Operation, make_operation

CATALOGUE = read_packaged_catalogue()


def merge_vector(parts: list[dict[str, Any]]) -> list[RecordState]:
    """Return the state of every record that the operations speak of, in their order.

    Each part is a log of its own, written by the device that its name begins with.
    """
    made: dict[str, Operation] = {}
    for part in parts:
        name = part["name"]
        made[name] = make_operation(
            device=name[0],
            epoch=f"ep{name}",
            counter=1,
            previous="",
            stream=CATALOGUE.stream_of(part["record"].split("/", 1)[0]),
            record=part["record"],
            stamp=str(Stamp(part["at_ms"], 0, name[0])),
            body=Body(
                salt="0" * 32,
                by=part.get("by", "staff/s-1"),
                tapped_by="staff/s-1",
                catalogue=CATALOGUE.version,
                set=part.get("set", {}),
                retract=tuple(made[one].reference for one in part.get("retract", [])),
            ),
        )
    return [
        merge_record(
            record,
            [one for one in made.values() if one.record == record],
            CATALOGUE.policies_of(record.split("/", 1)[0]),
        )
        for record in dict.fromkeys(one.record for one in made.values())
    ]
