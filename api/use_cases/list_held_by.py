"""Whose records a device may have held at a moment: what a lost tablet puts at risk (PRIV-07)."""

import datetime
from zoneinfo import ZoneInfo

import msgspec

from api.storage.access_log import AccessLine
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError


class HeldBy(msgspec.Struct, frozen=True, kw_only=True):
    """The most that a device can have held, and what is known to have been opened on it.

    Parameters
    ----------
    until_ms : int
        Up to when the unit's entries can have reached it: the moment, or its last exchange.
    patients : tuple of str
        Every patient of whom it may have held an entry; erased ones among them by their ids.
    opened : tuple of AccessLine
        What people opened on it up to then, as the device told, newest first.
    remarks : tuple of str
        What the list cannot know.
    """

    device: str
    role: str
    until_ms: int
    patients: tuple[str, ...]
    opened: tuple[AccessLine, ...]
    remarks: tuple[str, ...]


def read_moment(text: str, *, zone: str) -> int:
    """Return a moment that somebody typed in milliseconds; without a zone it is by the unit's.

    Raises
    ------
    CalculationError
        It is none.
    """
    try:
        moment = datetime.datetime.fromisoformat(text)
        told = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))
        return int(told.timestamp() * 1_000)
    except (OverflowError, ValueError) as error:
        sentence = f"{text[:40]!r} is no moment. Write it as 2026-03-01T18:30."
        raise CalculationError(sentence) from error


def list_held_by(store: UnitStore, device: str, *, at_ms: int) -> HeldBy:
    """Return whose records a device may have held at a moment, by the unit's clock.

    Raises
    ------
    NotAllowedError
        No such device joined.
    """
    with store.transaction():
        found = store.devices.find(device)
        presence = store.ages.presence_of(device)
        if found is None or presence is None:
            raise NotAllowedError(f"{device} never joined this unit. See crura device list.")
        since, seen = presence
        until = at_ms if seen is None else min(at_ms, seen)
        # What it wrote itself it held before the unit did.
        patients = (
            store.ages.held_by_then("patient", found.streams, until) if at_ms >= since else []
        )
        opened = tuple(
            line
            for line in store.access.lines(newest_first=True)
            if device in (line.device, line.who)
            and line.records
            # A clock of its own that runs ahead hides nothing.
            and min(line.at_ms, line.noted_ms) <= at_ms
        )
    return HeldBy(
        device=device,
        role=found.role,
        until_ms=until,
        patients=tuple(patients),
        opened=opened,
        remarks=_remarks(at_ms, since, seen),
    )


def _remarks(at_ms: int, since_ms: int, seen_ms: int | None) -> tuple[str, ...]:
    remarks = [
        "This is the most that can have been there: a tablet drops old cases by itself, and what "
        "it holds is encrypted and opens by a PIN.",
        "What was entered on it and never sent is known to nobody here.",
    ]
    if at_ms < since_ms:
        remarks.insert(0, "It had not joined then, and held nothing of this unit.")
    elif seen_ms is None:
        remarks.append("It never exchanged anything, so that it may have held nothing at all.")
    return tuple(remarks)
