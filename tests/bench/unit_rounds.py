"""What a publish round costs the unit that sends it: `python -m tests.bench.unit_rounds`.

Treated cases with a look each. A round derives every case where something changed; the idle one
comes every few minutes. Processor time, since other things may run on the machine; beside each how
long a push of a tablet waits at most.
"""

import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from api.storage.unit_store import UnitStore
from tests.bench.rounds import Spread
from tests.unit.api.registry_unit import RegistryUnit, registry_unit

CASES = (150, 600)
_ROUNDS = 7


class RoundCost(msgspec.Struct, frozen=True, kw_only=True):
    """One size of a unit: a round that derives all, an idle one, and the longest step of each."""

    cases: int
    whole_ms: Spread
    whole_step_ms: float
    idle_ms: Spread
    idle_step_ms: float


@contextmanager
def _watched(store: UnitStore) -> Iterator[list[float]]:
    """Note how long each outermost block holds the store, in milliseconds."""
    database = store._database
    steps: list[float] = []
    depth = 0
    whole = database.transaction

    @contextmanager
    def timed() -> Iterator[object]:
        nonlocal depth
        with whole() as connection:
            start, depth = time.process_time(), depth + 1
            try:
                yield connection
            finally:
                depth -= 1
                if depth == 0:
                    steps.append((time.process_time() - start) * 1e3)

    database.transaction = timed  # type: ignore[method-assign]
    try:
        yield steps
    finally:
        database.transaction = whole  # type: ignore[method-assign]


def measure_unit_rounds() -> list[RoundCost]:
    """Return what rounds cost a unit as its cases grow."""
    found = []
    with (
        tempfile.TemporaryDirectory(prefix="crura-unit-") as folder,
        registry_unit(Path(folder) / "unit") as unit,
    ):
        number = 0
        for cases in CASES:
            while number < cases:
                number += 1
                _treat(unit, number)
            unit.publish()
            whole, whole_steps, idle, idle_steps = [], [], [], []
            for place in range(_ROUNDS):
                # Something else than a case was written: everything is derived, nothing differs.
                unit.write(f"staff/s-{cases}-{place}", name="Ida Norrwood", role="assistant")
                took, steps = _round(unit)
                whole.append(took)
                whole_steps += steps
                took, steps = _round(unit)
                idle.append(took)
                idle_steps += steps
            found.append(
                RoundCost(
                    cases=cases,
                    whole_ms=Spread(tuple(whole)),
                    whole_step_ms=max(whole_steps),
                    idle_ms=Spread(tuple(idle)),
                    idle_step_ms=max(idle_steps),
                )
            )
    return found


def _round(unit: RegistryUnit) -> tuple[float, list[float]]:
    with _watched(unit.store) as steps:
        start = time.process_time()
        unit.publish()
        return (time.process_time() - start) * 1e3, steps


def _treat(unit: RegistryUnit, number: int) -> None:
    case, visit = f"case/c-{number}", f"visit/v-{number}"
    on = f"2025-0{1 + number % 8}-1{number % 9}"
    unit.treat(case=case, patient=f"patient/p-{number}", on=on)
    unit.look(visit=visit, case=case, on="2026-04-02", doppler_flow="no")


def write_round_table(found: list[RoundCost]) -> str:
    """Return what was measured as a table in markdown."""
    lines = [
        "| cases of the unit | a round that derives all | longest step | an idle round | step |",
        "|---|---|---|---|---|",
        *(
            f"| {one.cases} | {one.whole_ms.say('ms', 0)} | {one.whole_step_ms:.0f} ms"
            f" | {one.idle_ms.say('ms')} | {one.idle_step_ms:.1f} ms |"
            for one in found
        ),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    print(write_round_table(measure_unit_rounds()))
