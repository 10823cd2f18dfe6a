"""The disk of a simulated tablet: what was committed survives a crash, what was not is gone."""

import copy
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from sync.clock import Stamp
from sync.exchange import LastRead
from sync.merge import merge_record
from sync.merge_policies import FieldPolicy
from sync.operation import Operation
from sync.operation_log import Tip
from sync.signing import BroughtHead

Texts = tuple[str, str]
Place = tuple[str, str, int]


class CrashError(Exception):
    """The tablet or the server stops at this point, as by a flat battery."""


@dataclass(frozen=True)
class OwnEpoch:
    """One own log: its end, and how far the unit holds it."""

    counter: int = 0
    hash: str = ""
    held: int = 0
    is_forked: bool = False


@dataclass(frozen=True)
class Dropped:
    """A case of which the bodies are gone; ``is_wanted`` once somebody waits for it."""

    records: frozenset[str]
    is_wanted: bool = False


@dataclass
class Memory:
    """Everything a tablet keeps. Values are never changed in place, so a copy is cheap.

    ``taken_ms`` says when each operation came, ``held_since`` when the unit was first seen to hold
    an own log so far; ``own_key`` is the public key that the unit knows, ``new_key`` the one that
    came in its place.
    """

    epoch: str
    epochs: dict[str, OwnEpoch] = field(default_factory=dict)
    operations: dict[Place, Operation] = field(default_factory=dict)
    taken_ms: dict[Place, int] = field(default_factory=dict)
    forked: dict[str, Texts] = field(default_factory=dict)
    quarantine: dict[Texts, str] = field(default_factory=dict)
    cursors: dict[str, int] = field(default_factory=dict)
    last_read: dict[str, LastRead] = field(default_factory=dict)
    # Heads that others signed, and the streams that were once read with them (SG12).
    heads: dict[BroughtHead, None] = field(default_factory=dict)
    streams_with_heads: dict[str, None] = field(default_factory=dict)
    dropped: dict[str, Dropped] = field(default_factory=dict)
    held_since: dict[tuple[str, int], int] = field(default_factory=dict)
    own_logs_read: dict[str, int] = field(default_factory=dict)
    own_key: str = ""
    new_key: str = ""
    server: str | None = None
    is_recovering: bool = False
    is_offering: bool = False
    has_known_put_back: bool = False
    has_taken_file: bool = False
    clock: Stamp | None = None

    def copy(self) -> "Memory":
        """Return a memory of its own."""
        made = copy.copy(self)
        for name, held in vars(self).items():
            if isinstance(held, dict):
                setattr(made, name, dict(held))
        return made

    def tip(self, epoch: str) -> Tip:
        """Return the end of an own log."""
        own = self.epochs[epoch]
        return Tip(epoch, own.counter, own.hash)

    def begin_epoch(self, epoch: str) -> None:
        """Go on under a new epoch."""
        self.epoch = epoch
        self.epochs[epoch] = OwnEpoch()

    def change_epoch(self, epoch: str, **changed: object) -> None:
        """Change what is known of an own log."""
        self.epochs[epoch] = replace(self.epochs.get(epoch, OwnEpoch()), **changed)  # type: ignore[arg-type]

    def insert(self, operation: Operation, now_ms: int) -> None:
        """Keep an operation under its place."""
        place = operation.device, operation.epoch, operation.counter
        self.operations[place] = operation
        self.taken_ms[place] = now_ms

    def of_log(self, device: str, epoch: str, first: int) -> list[Operation]:
        """Return operations of one log from a counter on, but for those whose body is dropped."""
        places = sorted(
            place for place in self.operations if place[:2] == (device, epoch) and place[2] >= first
        )
        held = (self.operations[place] for place in places)
        return [one for one in held if one.body_text is not None]

    def of_record(self, record: str) -> list[Operation]:
        """Return what is held about a record, but for what is dropped."""
        return [
            one
            for one in self.operations.values()
            if one.record == record and one.body_text is not None
        ]

    def seen(self, record: str, policies: dict[str, FieldPolicy]) -> dict[str, tuple[str, ...]]:
        """Return what a form puts into `over`: all references that it shows, by field."""
        fields = merge_record(record, self.of_record(record), policies).fields
        return {name: shown.references for name, shown in fields.items()}

    def heads_over(self, operations: list[Operation]) -> tuple[BroughtHead, ...]:
        """Return the heads over a batch of one log: those within, and the first one above."""
        device, epoch, last = operations[-1].device, operations[-1].epoch, operations[-1].counter
        kept = sorted(
            (one for one in self.heads if (one.device, one.epoch) == (device, epoch)),
            key=lambda one: one.counter,
        )
        above = next((one.counter for one in kept if one.counter >= last), last)
        return tuple(one for one in kept if operations[0].counter <= one.counter <= above)

    def own_logs(self) -> dict[str, int]:
        """Return up to which counter each log under the own name is held, or was read back."""
        logs = dict(self.own_logs_read)
        for epoch, own in self.epochs.items():
            logs[epoch] = max(logs.get(epoch, 0), own.counter)
        return logs

    def unsent(self) -> int:
        """Return how many own operations the unit does not hold, as the status line shows it."""
        return sum(own.counter - own.held for own in self.epochs.values())

    def texts(self) -> set[Texts]:
        """Return every text on this disk, also of what is kept aside."""
        counted = {
            (one.envelope_text, one.body_text)
            for one in self.operations.values()
            if one.body_text is not None
        }
        return set(self.quarantine) | set(self.forked.values()) | counted


class TabletDisk:
    """Commits whole changes; `crash_next` loses the one that is under way."""

    def __init__(self, memory: Memory) -> None:
        self.committed = memory
        self.crash_next = False

    @contextmanager
    def write(self) -> Iterator[Memory]:
        """Change the memory as one: all of it or nothing."""
        changed = self.committed.copy()
        yield changed
        if self.crash_next:
            self.crash_next = False
            raise CrashError
        self.committed = changed
