"""Receive what a device noted of accesses on it: its own chain, taken in line by line."""

from collections.abc import Sequence
from typing import Annotated, Literal

import msgspec

from api.access.access_table import Asker
from api.storage.access_log import AccessEvent, hash_line
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import TooLargeError, UnreadablePushError
from api.use_cases.note_access import event_of, note_access

MOST_LINES = 200
MOST_LETTERS_A_LINE = 4_000
# More than any tablet notes in its life; a number far ahead would only make a chain look long.
MOST_MISSING = 100_000
MOST_COUNTED = 2**53 - 1
Short = Annotated[str, msgspec.Meta(max_length=100)]


class DeviceLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of a device's own chain, in the order of its keys (AU4).

    ``at_ms`` is by the clock of the device; ``person`` is `staff/<id>` or "".
    """

    device: Short
    chain: Annotated[str, msgspec.Meta(max_length=40, pattern="^[A-Za-z0-9-]+$")]
    counter: Annotated[int, msgspec.Meta(ge=1, le=MOST_COUNTED)]
    previous: Annotated[str, msgspec.Meta(max_length=64)]
    at_ms: Annotated[int, msgspec.Meta(ge=0, le=MOST_COUNTED)]
    person: Short
    role: Short
    verb: Short
    object: Short
    records: Annotated[tuple[Short, ...], msgspec.Meta(max_length=20)]
    why: Annotated[str, msgspec.Meta(max_length=500)]
    outcome: Literal["done", "refused", "wrong", "waiting", "removed"]


class TakenLines(msgspec.Struct, frozen=True):
    """Up to which counter the unit holds a chain: the device may drop these lines."""

    chain: str
    held: int


def receive_access_lines(
    store: UnitStore, device: Device, texts: Sequence[str], *, now_ms: int
) -> TakenLines:
    """Take in lines of one chain, oldest first; those held already change nothing.

    Nothing a device tells is dropped for what came before it: a gap, a line that does not follow,
    a second version and one that came late are noted themselves, and the line is taken in.

    Raises
    ------
    UnreadablePushError
        A text is no line of this device, they are of two chains, or one is so far ahead that its
        number is wrong. Nothing is written.
    TooLargeError
        More lines than one request may carry. Nothing is written.

    Notes
    -----
    Rule AU4.
    """
    if len(texts) > MOST_LINES:
        message = f"The request holds {len(texts)} lines. Send at most {MOST_LINES}."
        raise TooLargeError(message)
    lines = [_read(text, device) for text in texts]
    if not lines or len({line.chain for line in lines}) != 1:
        message = "The request holds lines of no chain, or of two. Send those of one chain."
        raise UnreadablePushError(message)
    chain = lines[0].chain
    with store.transaction():
        counter, hash_ = store.access.device_tip(device.id, chain)
        # Looked up once: a device that lost our answer sends all of them again.
        is_again = any(line.counter <= counter for line in lines)
        held = store.access.told_in(device.id, chain) if is_again else set()
        for text, line in zip(texts, lines, strict=True):
            found = hash_line(text)
            if line.counter <= counter:
                _take_earlier(store, device, _event_of(line, device, found), held, now_ms)
                continue
            if line.counter != counter + 1:
                _refuse_far_ahead(line, counter)
                missing = f"{chain}.{counter + 1} to {line.counter - 1} never came"
                _note_break(store, device, missing, now_ms)
            elif line.previous != hash_:
                _note_break(
                    store, device, f"{chain}.{line.counter} does not follow {counter}", now_ms
                )
            event = _event_of(line, device, found)
            note_access(store, event, noted_ms=now_ms)
            held.add(event.told)
            counter, hash_ = line.counter, found
        if counter:
            store.access.keep_device_tip(device.id, chain, counter, hash_)
    return TakenLines(chain, counter)


def _take_earlier(
    store: UnitStore, device: Device, event: AccessEvent, held: set[str], now_ms: int
) -> None:
    """Take in a line at or below the end of its chain unless this very line is held."""
    if event.told in held:
        return
    place = event.told.partition("#")[0]
    is_second = any(one.startswith(f"{place}#") for one in held)
    why = f"{place} came in two versions" if is_second else f"{place} came late"
    _note_break(store, device, why, now_ms)
    note_access(store, event, noted_ms=now_ms)
    held.add(event.told)


def _refuse_far_ahead(line: DeviceLine, counter: int) -> None:
    if line.counter - counter > MOST_MISSING:
        message = (
            f"{line.chain}.{line.counter} is more than {MOST_MISSING} lines ahead of {counter}. "
            "Send the lines before it first."
        )
        raise UnreadablePushError(message)


def _read(text: str, device: Device) -> DeviceLine:
    if len(text) > MOST_LETTERS_A_LINE:
        message = f"A line is longer than {MOST_LETTERS_A_LINE} letters. Shorten its reason."
        raise TooLargeError(message)
    try:
        line = msgspec.json.decode(text, type=DeviceLine)
    except (msgspec.MsgspecError, UnicodeError) as error:
        message = f"A text is no line of accesses ({error}). Send it as the device wrote it."
        raise UnreadablePushError(message) from error
    if line.device != device.id:
        message = f"A line was not noted on {device.id}. A device sends its own lines alone."
        raise UnreadablePushError(message)
    return line


def _event_of(line: DeviceLine, device: Device, hash_: str) -> AccessEvent:
    return AccessEvent(
        at_ms=line.at_ms,
        asker="person" if line.person else "device",
        who=line.person or device.id,
        role=line.role or device.role,
        device=device.id,
        verb=line.verb,
        object=line.object,
        records=line.records,
        why=line.why,
        outcome=line.outcome,
        told=f"{line.chain}.{line.counter}#{hash_[:16]}",
    )


def _note_break(store: UnitStore, device: Device, why: str, now_ms: int) -> None:
    note_access(
        store,
        event_of(
            Asker("device", device.role, device.id),
            "break-of-chain",
            "access-events",
            at_ms=now_ms,
            why=why,
            outcome="refused",
        ),
    )
