"""A process of the hub that takes in what units push: `python -m tests.hub.pushing_process`.

It prints each answer once the push is on disk, one line each, so that a test that kills it knows
what was acknowledged. With a number of seconds it waits between two pushes.
"""

import sys
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from api.storage.device_store import Device
from api.storage.hub_store import open_hub_store
from api.use_cases.receive_push import receive_push
from sync.operation import Operation
from tests.bench.registry_workload import UnitLog

NOW_MS = 1_795_000_000_000
OPERATIONS = 120
BATCH = 7


def push_all(url: str, folder: Path, units: list[str], *, pause_s: float = 0.0) -> None:
    """Push the whole log of each unit, batch by batch, the units by turns."""
    store = open_hub_store(url, folder, new_generation="generation-1")
    queues = {unit: _batches(unit) for unit in units}
    print("ready", flush=True)
    while queues:
        for unit in list(queues):
            batch = next(queues[unit], None)
            if batch is None:
                del queues[unit]
                continue
            answer = receive_push(store, Device(unit, unit, "unit", None), batch, now_ms=NOW_MS)
            set_aside = [one.op_id for one in answer.quarantined]
            print(unit, answer.tip.counter, answer.tip.hash, *set_aside, flush=True)
            time.sleep(pause_s)
    store.close()


def _batches(unit: str) -> Iterator[list[Operation]]:
    log = UnitLog(unit).cases(OPERATIONS)
    while batch := list(islice(log, BATCH)):
        yield batch


if __name__ == "__main__":
    push_all(sys.argv[1], Path(sys.argv[2]), sys.argv[3].split(","), pause_s=float(sys.argv[4]))
