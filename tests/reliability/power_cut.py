"""What a disk may hold after the power went: every file as of its last sync, the rest by chance.

Of the writes since a file's last sync each is kept, dropped, or torn: some of its 512-byte
sectors are new and some are old. Writes before the sync are on the disk; that is what a sync
promises, and a drive that lies about it can be helped by no program.
"""

import random
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from api.storage.unit_store import UnitStore, open_unit_store
from tests.reliability.disk_shim import Disk, DiskCall, watched_disk
from tests.reliability.ward import Ward, push

SECTOR = 512
# SQLite's own bound is 1,000 pages; with few, a short day holds many checkpoints.
PAGES_TO_CHECKPOINT = 30


def record_day(
    folder: Path,
    chance: random.Random,
    *,
    pushes: int,
    prepare: Callable[[UnitStore], object] = lambda _: None,
) -> list[DiskCall]:
    """Let the real use case take in a day of pushes and return all that was asked of the disk.

    The store is made on the way, closed and opened again once. After each push, when the tablets
    have been told, the calls hold one ``told``.

    Parameters
    ----------
    prepare : function
        Gets each opened store, to plant a bug in it.
    """
    ward = Ward(chance)
    with watched_disk(Disk()) as disk:
        for _ in range(2):
            store = open_unit_store(folder, new_generation="generation-1")
            bound = f"PRAGMA wal_autocheckpoint={PAGES_TO_CHECKPOINT}"
            connection_of(store).execute(bound)
            prepare(store)
            for _ in range(pushes // 2):
                drawn = ward.draw_push(store)
                push(store, drawn)
                disk.calls.append(DiskCall("told", told=tuple(drawn.texts)))
            store.close()
    return disk.calls


def connection_of(store: UnitStore) -> Any:
    """Return the store's connection, which no production code outside storage may reach."""
    return store._database.connection


def draw_cut(calls: Sequence[DiskCall], chance: random.Random) -> int:
    """Return how many calls came before the cut; half the cuts fall right after an answer."""
    answers = [number for number, call in enumerate(calls, 1) if call.what == "told"]
    if answers and chance.random() < 0.5:
        return min(chance.choice(answers) + chance.randint(0, 3), len(calls))
    return chance.randint(0, len(calls))


def told_before(calls: Sequence[DiskCall]) -> list[Any]:
    """Return the texts of everything the tablets had been told by then."""
    return [texts for call in calls for texts in call.told]


def build_state(calls: Sequence[DiskCall], chance: random.Random) -> dict[str, bytes]:
    """Return a possible content of every file, by name, after a cut behind the given calls."""
    synced: dict[str, bytearray] = {}
    pending: dict[str, list[DiskCall]] = {}
    deleted: dict[str, bytearray] = {}
    for call in calls:
        match call.what:
            case "create":
                deleted.pop(call.path, None)
                pending[call.path] = []
            case "write" | "truncate":
                pending.setdefault(call.path, []).append(call)
            case "sync":
                content = synced.setdefault(call.path, bytearray())
                for waiting in pending.pop(call.path, ()):
                    _apply(content, waiting)
            case "delete":
                pending.pop(call.path, None)
                deleted[call.path] = synced.pop(call.path, bytearray())
    state = {path: bytearray(content) for path, content in synced.items()}
    for path, waiting in pending.items():
        # Without a sync the new file itself may be missing from its folder.
        if path in state or chance.random() < 0.5:
            _apply_some(state.setdefault(path, bytearray()), waiting, chance)
    for path, content in deleted.items():
        # SQLite deletes a journal with a sync of the folder, a WAL file without one.
        if path.endswith("-wal") and path not in state and chance.random() < 0.5:
            state[path] = content
    return {Path(path).name: bytes(content) for path, content in state.items()}


def _apply_some(content: bytearray, waiting: Sequence[DiskCall], chance: random.Random) -> None:
    """Apply unsynced calls as a drive may: all, none, the first few, any, or torn ones."""
    way = chance.choice(("all", "none", "first", "any", "torn"))
    first = chance.randint(0, len(waiting))
    for number, call in enumerate(waiting):
        if way == "none" or (way == "first" and number >= first):
            return
        if way in ("any", "torn") and chance.random() < 0.5:
            continue
        if way == "torn" and call.what == "write":
            _tear(content, call, chance)
        else:
            _apply(content, call)


def _apply(content: bytearray, call: DiskCall) -> None:
    end = call.offset + len(call.content)
    if call.what == "truncate":
        del content[call.offset :]
        return
    if len(content) < end:
        content.extend(bytes(end - len(content)))
    content[call.offset : end] = call.content


def _tear(content: bytearray, call: DiskCall, chance: random.Random) -> None:
    start, end = call.offset, call.offset + len(call.content)
    for sector in range(start // SECTOR * SECTOR, end, SECTOR):
        low, high = max(sector, start), min(sector + SECTOR, end)
        if chance.random() < 0.5:
            part = call.content[low - start : high - start]
            _apply(content, DiskCall("write", call.path, low, part))


def write_state(state: dict[str, bytes], folder: Path) -> None:
    """Lay the files down as the next start finds them."""
    folder.mkdir()
    for name, content in state.items():
        (folder / name).write_bytes(content)
