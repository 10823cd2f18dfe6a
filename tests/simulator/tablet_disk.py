"""The disk of a simulated tablet: what was committed survives a crash, what was not is gone."""

import copy
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from sync.clock import Stamp
from sync.merge import merge_record
from sync.merge_policies import FieldPolicy
from sync.operation import Operation
from sync.operation_log import Tip

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


@dataclass
class Memory:
    """Everything a tablet keeps. Values are never changed in place, so a copy is cheap."""

    epoch: str
    epochs: dict[str, OwnEpoch] = field(default_factory=dict)
    operations: dict[Place, Operation] = field(default_factory=dict)
    forked: dict[str, Texts] = field(default_factory=dict)
    quarantine: dict[str, str] = field(default_factory=dict)
    cursors: dict[str, int] = field(default_factory=dict)
    server: str | None = None
    is_recovering: bool = False
    is_offering: bool = False
    clock: Stamp | None = None

    def copy(self) -> "Memory":
        """Return a memory of its own."""
        made = copy.copy(self)
        for name in ("epochs", "operations", "forked", "quarantine", "cursors"):
            setattr(made, name, dict(getattr(self, name)))
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

    def insert(self, operation: Operation) -> None:
        """Keep an operation under its place."""
        place = operation.device, operation.epoch, operation.counter
        self.operations[place] = operation

    def of_log(self, device: str, epoch: str, first: int) -> list[Operation]:
        """Return operations of one log from a counter on."""
        places = sorted(
            place for place in self.operations if place[:2] == (device, epoch) and place[2] >= first
        )
        return [self.operations[place] for place in places]

    def of_record(self, record: str) -> list[Operation]:
        """Return what is held about a record."""
        return [one for one in self.operations.values() if one.record == record]

    def seen(self, record: str, policies: dict[str, FieldPolicy]) -> dict[str, tuple[str, ...]]:
        """Return what a form puts into `over`: all references that it shows, by field."""
        fields = merge_record(record, self.of_record(record), policies).fields
        return {name: shown.references for name, shown in fields.items()}

    def unsent(self) -> int:
        """Return how many own operations the unit does not hold, as the status line shows it."""
        return sum(own.counter - own.held for own in self.epochs.values())


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
