"""Tablets cut off from their unit, one way and two ways, on a clock that is simulated too.

When a tablet tries again, and how long it waits for an answer, is what the browser app does: the
four numbers are read from its source (`pwa/src/network/`).
"""

import random
import re
from dataclasses import dataclass, field
from pathlib import Path

from api.storage.device_store import ROLE_STREAMS
from sync.exchange_messages import Finish
from tests.simulator.exchanging_tablet import Talk
from tests.simulator.notes import Notes
from tests.simulator.tablet import Tablet
from tests.simulator.tablet_disk import Memory, OwnEpoch, TabletDisk
from tests.simulator.unit import Answer, Unit
from tests.unit.api.signing_device import SigningDevice

NETWORK = Path(__file__).resolve().parents[2] / "pwa/src/network"
TABLETS = ("a", "b", "c")
BEFORE_MS, ANSWER_MS = 40_000, 50
CUTS = ("well", "request lost", "answer lost")


def _number(file: str, name: str) -> int:
    found = re.search(rf"const {name} = ([\d_]+);", (NETWORK / file).read_text())
    assert found, f"{file} has no {name}"
    return int(found[1].replace("_", ""))


RESTING_MS = _number("retry-wait.ts", "RESTING_MS")
FIRST_MS = _number("retry-wait.ts", "FIRST_MS")
LONGEST_MS = _number("retry-wait.ts", "LONGEST_MS")
LONGEST_ANSWER_MS = _number("unit-requests.ts", "LONGEST_ANSWER_MS")


def wait_ms(failures: int, chance: float) -> int:
    """Return the wait before the next round, as `retryWaitMs` does."""
    if failures == 0:
        return RESTING_MS
    full = min(LONGEST_MS, FIRST_MS * 2 ** min(failures - 1, 10))
    return round(full * (0.5 + chance / 2))


@dataclass
class Line:
    """A tablet, its line to the unit, and when it does something next."""

    tablet: Tablet
    cut: str = "well"
    next_ms: int = 0
    failures: int = 0
    talk: Talk | None = None
    answer: Answer | None = None
    is_heard: bool = False


@dataclass
class Partition:
    """One run: everybody writes, lines break in any way, and heal."""

    seed: int
    unit: Unit
    start_ms: int
    notes: Notes = field(default_factory=Notes)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.now_ms = self.start_ms
        self.heads = self.unit.store.operations.heads(("care", "booking", "unit"))
        self.lines = [self._join(letter) for letter in TABLETS]

    def _join(self, letter: str) -> Line:
        device = f"p{self.seed}-{letter}"
        key = SigningDevice(device)
        memory = Memory(epoch="ep01", epochs={"ep01": OwnEpoch()}, own_key=key.key_text)
        # What runs before this one wrote on the same unit is none of its business.
        memory.cursors = dict(self.heads)
        self.unit.join(device, "bedside", key.key_text, "ep01")
        disk, streams = TabletDisk(memory), ROLE_STREAMS["bedside"]
        tablet = Tablet(device, device, "bedside", streams, disk, key, self.start_ms)
        return Line(tablet, next_ms=self.start_ms + self.chance.randint(0, RESTING_MS))

    def play(self) -> tuple[int, int]:
        """Play until a while after the healing; return both times, healed and queues empty, ms."""
        cut_at = self.start_ms + self.chance.randint(1_000, BEFORE_MS)
        healed_at = cut_at + round(1_000 * 10 ** self.chance.uniform(0, 3))
        saves = sorted(self.chance.randint(self.start_ms, healed_at) for _ in range(12))
        turns = sorted([cut_at, *(self.chance.randint(cut_at, healed_at) for _ in range(2))])
        self._run_until(healed_at, saves, turns)
        for line in self.lines:
            line.cut = "well"
        empty_at = healed_at
        while any(line.tablet.memory.unsent() for line in self.lines):
            self._step()
            empty_at = self.now_ms
            assert empty_at < healed_at + 10 * 60_000, "the queue is stuck"
        self._run_until(empty_at + 2 * RESTING_MS + LONGEST_ANSWER_MS + LONGEST_MS, [], [])
        return healed_at, empty_at

    def _run_until(self, end_ms: int, saves: list[int], turns: list[int]) -> None:
        while True:
            next_ms = min(line.next_ms for line in self.lines)
            if saves and saves[0] <= min(next_ms, end_ms):
                self.now_ms = saves.pop(0)
                self._save()
            elif turns and turns[0] <= min(next_ms, end_ms):
                self.now_ms = turns.pop(0)
                for line in self.lines:
                    line.cut = self.chance.choice(CUTS)
            elif next_ms <= end_ms:
                self._step()
            else:
                self.now_ms = end_ms
                return

    def _save(self) -> None:
        tablet = self.chance.choice(self.lines).tablet
        tablet.wall_ms = self.now_ms
        record = f"puncture/p{self.seed}-{self.chance.randint(1, 2)}"
        policies = dict(self.unit.store.catalogue.policies_of("puncture"))
        seen = tablet.memory.seen(record, policies)
        values = {"stop_um": self.chance.randint(1, 9)}
        over = {name: seen[name] for name in values if seen.get(name)}
        salt = f"{self.seed:016x}{len(self.notes.told):016x}"
        operation = tablet.save("care", record, values=values, over=over, salt=salt)
        self.notes.write(operation, values, over, ())
        line = next(line for line in self.lines if line.tablet is tablet)
        if line.talk is None:
            # A save makes the exchange come soon.
            line.next_ms = min(line.next_ms, self.now_ms + FIRST_MS)

    def _step(self) -> None:
        """Let the tablet whose turn is next begin a round, or hear its answer and go on."""
        line = min(self.lines, key=lambda one: one.next_ms)
        self.now_ms = self.unit.wall_ms = line.tablet.wall_ms = line.next_ms
        try:
            if line.talk is None:
                line.talk = line.tablet.exchange()
                request = next(line.talk)
            else:
                request = line.talk.send(line.answer)
        except StopIteration as done:
            self._end(line, done.value)
            return
        line.answer = self.unit.answer(request) if line.cut != "request lost" else None
        if line.cut != "well":
            line.answer = None
        line.next_ms += ANSWER_MS if line.answer is not None else LONGEST_ANSWER_MS

    def _end(self, line: Line, finish: Finish) -> None:
        line.talk = None
        line.failures = 0 if finish.outcome == "done" else line.failures + 1
        line.next_ms += wait_ms(line.failures, self.chance.random())
