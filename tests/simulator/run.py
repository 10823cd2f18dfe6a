"""`python -m tests.simulator.run SEED` plays one seed again and prints what happened.

`python -m tests.simulator.run --first 1 --count 10000` plays many and prints the seeds that fail.
"""

import argparse
import shutil
import sys
from collections import Counter
from unittest.mock import patch

from api.storage import snapshots
from tests.reliability.ward import make_quick_folder
from tests.simulator.checks import find_faults
from tests.simulator.world import World

STEPS = 120
# 2,000 in the product; a ward has thirty entries.
SEGMENT_OPERATIONS = 5


def play_seed(seed: int) -> tuple[World, list[str]]:
    """Play one seed and return the ward at rest and what is wrong with it."""
    folder = make_quick_folder()
    with patch.object(snapshots, "SEGMENT_OPERATIONS", SEGMENT_OPERATIONS):
        world = World(seed, folder)
        try:
            world.run(STEPS)
            return world, find_faults(world)
        except AssertionError as error:
            return world, [f"stopped: {error}"]
        finally:
            world.unit.store.close()
            shutil.rmtree(folder)


def main() -> None:
    """Play what was asked for; end with 1 when anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seed", type=int, nargs="?")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--count", type=int, default=500)
    asked = parser.parse_args()
    if asked.seed is not None:
        world, faults = play_seed(asked.seed)
        print("\n".join([*world.events, *faults, f"{len(faults)} faults."]))
        sys.exit(bool(faults))
    failed, saves, counts = 0, 0, Counter[str]()
    for seed in range(asked.first, asked.first + asked.count):
        try:
            world, faults = play_seed(seed)
        except Exception:
            print(f"seed {seed} broke off", flush=True)
            raise
        saves += len(world.notes.told)
        failed += bool(faults)
        counts.update(world.counts)
        if faults:
            print(f"seed {seed}: {faults[0]}", flush=True)
    print(dict(counts))
    print(f"{asked.count} seeds, {saves} saves, {failed} seeds with faults.")
    sys.exit(bool(failed))


if __name__ == "__main__":
    main()
