"""Three tablets that write all day, and what must hold of a store after any mishap."""

import random
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from api.storage.device_store import Device
from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.receive_push import receive_push
from api.use_cases.verify_log import verify_log
from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation, read_operation
from sync.operation_log import Tip

NOON_MS = 1_790_000_000_000
EPOCH = "ep01"
DEVICES = tuple(Device(f"tablet-{letter}", letter, "bedside", None) for letter in "abc")
STAGES = ("workup", "planned", "in-procedure", "closing", "closed")
Texts = tuple[str, str]


class Push(msgspec.Struct, frozen=True):
    """One batch on its way; ``is_sound`` tells operations taken in from those set aside."""

    device: Device
    texts: list[Texts]
    are_sound: tuple[bool, ...]


class Ward:
    """Draws the next push of any tablet; each goes on where the store's log of it ends."""

    def __init__(self, chance: random.Random, *, longest_note: int = 3_000) -> None:
        self._chance = chance
        self._longest_note = longest_note
        self._heads: dict[tuple[str, str], tuple[str, ...]] = {}

    def draw_push(self, store: UnitStore) -> Push:
        """Return one to six operations of one tablet, one in twelve of which is poisoned."""
        device = self._chance.choice(DEVICES)
        tip = store.operations.tip_of(device.id, EPOCH)
        texts, are_sound = [], []
        for _ in range(self._chance.randint(1, 6)):
            is_sound = self._chance.random() > 1 / 12
            operation = self._draw_operation(device.id, tip, is_sound=is_sound)
            tip = Tip(EPOCH, operation.counter, operation.hash)
            texts.append((operation.envelope_text, operation.body_text or ""))
            are_sound.append(is_sound)
        return Push(device, texts, tuple(are_sound))

    def _draw_operation(self, device: str, tip: Tip, *, is_sound: bool) -> Operation:
        chance = self._chance
        kind, field, value = chance.choice(
            (
                ("puncture", "stop_um", chance.randint(20_000, 40_000)),
                ("coil_placed", "slot", chance.randint(1, 9)),
                ("case", "stage", chance.choice(STAGES)),
                ("patient", "phone_note", "n" * chance.randint(1, self._longest_note)),
            )
        )
        stream = {"patient": "booking"}.get(kind, "care")
        record = f"{kind}/r-{chance.randint(1, 5)}"
        seen = self._heads.get((record, field), ()) if chance.random() < 0.5 else ()
        operation = make_operation(
            device=device,
            epoch=EPOCH,
            counter=tip.counter + 1,
            previous=tip.hash,
            stream=stream if is_sound else "unit",
            record=record,
            stamp=str(Stamp(NOON_MS + tip.counter, 0, device)),
            body=Body(
                salt=f"{chance.getrandbits(128):032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                set={field: value},
                over={field: seen} if seen else {},
            ),
        )
        if is_sound:
            self._heads[record, field] = (operation.reference,)
        return operation


def make_quick_folder() -> Path:
    """Return a new folder, in memory where there is one: no real power is cut in these tests."""
    memory = Path("/dev/shm")  # noqa: S108
    return Path(tempfile.mkdtemp(prefix="crura-ward-", dir=memory if memory.is_dir() else None))


def push(store: UnitStore, drawn: Push, *, now_ms: int = NOON_MS) -> None:
    """Hand a push to the real use case; when this returns the tablets have been told."""
    receive_push(store, drawn.device, drawn.texts, now_ms=now_ms)


def find_losses(store: UnitStore, told: Iterable[Texts]) -> list[str]:
    """Return a sentence for every operation told as saved that is not there byte for byte.

    Sound ones have to lie in the log, poisoned ones with their exact texts in quarantine.
    """
    held = set(held_texts(store))
    return [
        f"{read_operation(envelope, None).op_id} was told as saved and is not there."
        for envelope, body in told
        if (envelope, body) not in held
    ]


def held_texts(store: UnitStore) -> Iterator[Texts]:
    """Yield the exact texts of everything held, in the logs and in quarantine."""
    for device, epoch in store.operations.logs():
        for operation in store.operations.of_log(device, epoch):
            if operation.body_text is not None:
                yield operation.envelope_text, operation.body_text
    for aside in store.operations.quarantined():
        yield aside.envelope, aside.body or ""


def examine(folder: Path, told: Iterable[Texts], ward: Ward | None = None) -> list[str]:
    """Open the store as the next start does and return what is wrong with it, in sentences.

    Checked are: nothing told as saved is missing; SQLite's own check, hashes, chains,
    commitments and views (`verify_log`); the tablets' next push is taken in.
    """
    try:
        store = open_unit_store(folder, new_generation="generation-after")
    except StorageError as error:
        return [str(error)]
    try:
        findings = find_losses(store, told) + list(verify_log(store).findings)
        if ward is not None and not findings:
            drawn = ward.draw_push(store)
            push(store, drawn)
            findings += find_losses(store, drawn.texts)
        return findings
    except (sqlite3.DatabaseError, StorageError) as error:
        return [f"The store cannot be read ({error})."]
    finally:
        store.close()
