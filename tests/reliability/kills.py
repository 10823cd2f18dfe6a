"""Kills the process that takes in pushes, again and again, and looks at what it left.

`python -m tests.reliability.kills --rounds 10000 --seed 1` prints what was wrong and ends with 1
if anything was.

A whole server takes a second to start, so each round forks a small child instead. It opens the
store and runs the real use case in a loop, as `crura serve` does behind HTTP, and tells of each
push on a pipe after `receive_push` has returned, that is after the commit. Half of the rounds
are cut off by the clock, half by SQLite's own n-th call to the disk, which always hits the middle
of a commit, a checkpoint or an opening.
"""

import argparse
import json
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

from api.storage.unit_store import open_unit_store
from tests.reliability.disk_shim import Disk, DiskCall, watched_disk
from tests.reliability.power_cut import PAGES_TO_CHECKPOINT, connection_of
from tests.reliability.ward import Texts, Ward, examine, make_quick_folder, push

ROUNDS_A_STORE = 20
LONGEST_LIFE_S = 0.04
MOST_CALLS = 400


def _take_in_pushes(folder: Path, seed: int, pipe: int) -> None:
    """Take in pushes until somebody kills this process."""
    ward = Ward(random.Random(seed))
    store = open_unit_store(folder, new_generation="generation-1")
    connection_of(store).execute(f"PRAGMA wal_autocheckpoint={PAGES_TO_CHECKPOINT}")
    while True:
        drawn = ward.draw_push(store)
        push(store, drawn)
        os.write(pipe, json.dumps(drawn.texts).encode() + b"\n")


def _die_at_call(number: int) -> Disk:
    left = [number]

    def refuse(_: DiskCall) -> int:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return 0

    return Disk(refuse, keeps_calls=False)


def kill_once(folder: Path, chance: random.Random) -> list[Texts]:
    """Let one child live for a while, kill it, and return what it had told."""
    seed, is_by_clock = chance.getrandbits(32), chance.random() < 0.5
    life_s, calls = chance.uniform(0, LONGEST_LIFE_S), chance.randint(1, MOST_CALLS)
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(reading)
            if is_by_clock:
                _take_in_pushes(folder, seed, writing)
            else:
                with watched_disk(_die_at_call(calls)):
                    _take_in_pushes(folder, seed, writing)
        finally:
            # Only an error in the child comes here; the round must not pass for a kill.
            os._exit(1)
    os.close(writing)
    if is_by_clock:
        told = _read_until(reading, time.monotonic() + life_s)
        os.kill(child, signal.SIGKILL)
        told += _read_until(reading, None)
    else:
        told = _read_until(reading, None)
    os.close(reading)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), f"the child broke by itself (seed {seed})"
    # A line that was cut off told nobody anything.
    return [
        (envelope, body) for line in told.split(b"\n")[:-1] for envelope, body in json.loads(line)
    ]


def _read_until(pipe: int, end_s: float | None) -> bytes:
    """Return what comes through a pipe until a moment, None until its end."""
    os.set_blocking(pipe, end_s is None)
    parts = []
    while end_s is None or time.monotonic() < end_s:
        try:
            part = os.read(pipe, 65_536)
        except BlockingIOError:
            time.sleep(0.001)
            continue
        if not part:
            break
        parts.append(part)
    return b"".join(parts)


def run_rounds(rounds: int, seed: int) -> tuple[int, list[str]]:
    """Return how many operations were told as saved, and what was wrong after any kill."""
    chance, findings, count = random.Random(seed), [], 0
    folder, told = Path(), []
    base = make_quick_folder()
    try:
        for number in range(rounds):
            if number % ROUNDS_A_STORE == 0:
                folder, told = base / f"unit-{number}", []
            fresh = kill_once(folder, chance)
            told += fresh
            count += len(fresh)
            found = examine(folder, told, Ward(chance))
            findings += [f"seed {seed}, kill {number}: {one}" for one in found]
    finally:
        shutil.rmtree(base)
    return count, findings


def main() -> None:
    """Read the two numbers, run, print, and end with 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    count, findings = run_rounds(asked.rounds, asked.seed)
    print("\n".join(findings), end="\n" if findings else "")
    print(f"{asked.rounds} kills, {count} operations told as saved, {len(findings)} findings.")
    sys.exit(bool(findings))


if __name__ == "__main__":
    main()
