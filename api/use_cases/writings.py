"""The writings of one record, one by one: their order, their number and their days.

What is counted here never becomes less while a log grows: a calendar tells programs the number.
"""

import datetime
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from sync.clock import read_stamp
from sync.operation import Body, Operation, decode_body

Writing = tuple[Operation, Body]


def civil_day(wall_ms: int, zone: str) -> str:
    """Return the civil date of a moment in a zone."""
    return (
        datetime.datetime.fromtimestamp(wall_ms / 1_000, datetime.UTC)
        .astimezone(ZoneInfo(zone))
        .date()
        .isoformat()
    )


def wall_ms(operation: Operation) -> int:
    """Return when something was written, milliseconds of the device's wall clock; 0 for unknown."""
    stamp = read_stamp(operation.stamp)
    return stamp.wall_ms if stamp else 0


def in_order(operations: list[Operation], struck: Iterable[str]) -> list[Writing]:
    """Return what was written, by stamp, without what was struck."""
    left_out = set(struck)
    return [
        (one, decode_body(one.body_text))
        for one in sorted(operations, key=lambda one: (one.stamp, one.reference))
        if one.body_text is not None and one.reference not in left_out
    ]


def count_writings(operations: list[Operation], fields: set[str]) -> tuple[int, int]:
    """Return how many operations touch the fields, and the latest of their wall times.

    Every one counts, struck ones and those that strike as well.
    """
    touching = [
        wall_ms(one)
        for one, body in in_order(operations, ())
        if fields & body.set.keys() or fields & body.over.keys() or body.retract
    ]
    return len(touching), max(touching, default=0)


def day_since(standing: list[Writing], status: str, zone: str) -> str:
    """Return the day since which a status has been said without a break, "" where it is not."""
    since: Operation | None = None
    for one, body in standing:
        if "status" in body.set:
            since = (since or one) if body.set["status"] == status else None
    return civil_day(wall_ms(since), zone) if since else ""
