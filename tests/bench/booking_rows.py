"""Row e: 20,000 visits into 12,000 clinic sessions, beside a minimum cost flow in the same run.

Both solve the same choices and are given them ready made; ours also proves its answer and weighs
the choices, which is shown as a figure of its own. Each round runs in a process of its own, so
that its memory is that of the solver and not of the one before.
"""

import json
import subprocess
import sys
from pathlib import Path

from tests.bench.rounds import Row, Section, Spread

VISITS = 20_000
_ROOT = Path(__file__).resolve().parents[2]
_WAYS = {"crura": "our matching, its proof included", "ortools": "OR-Tools SimpleMinCostFlow"}


def measure_bookings(rounds: int, *, visits: int = VISITS) -> list[Section]:
    """Return the rows of the optimum, and those of a closed fortnight."""
    taken: dict[str, list[dict[str, float]]] = {way: [] for way in _WAYS}
    for number in range(rounds):
        for way in _WAYS:
            taken[way].append(_run(way, visits, seed=number))
    first = taken["crura"][0]
    section = Section(
        f"{visits:,} visits into {first['sessions']:,.0f} clinic sessions", bar_unit="s wall"
    )
    for way, words in _WAYS.items():
        wall, processor, memory = (
            Spread(tuple(one[key] for one in taken[way]))
            for key in ("wall_s", "processor_s", "memory_mb")
        )
        is_ours = way == "crura"
        section.rows.append(
            Row(
                words,
                f"{wall.say('s', 2)}, processor {processor.say('s', 2)}, "
                f"{memory.say('MB', 0)} resident at its peak",
                "at most 3 s of one processor, proved optimal" if is_ours else "",
                (processor.median <= 3 and all(one["is_optimal"] for one in taken[way]))
                if is_ours
                else None,
            )
        )
        section.bars.append((way, wall.median))
    same = all(
        ours["cost"] == theirs["cost"]
        for ours, theirs in zip(taken["crura"], taken["ortools"], strict=True)
    )
    weighing = Spread(tuple(one["weighing_s"] for one in taken["crura"]))
    section.rows += [
        Row("both find the same lowest cost", "yes" if same else "no", "yes", same),
        Row(f"weighing {first['choices']:,.0f} choices", weighing.say("s", 2)),
    ]
    closed = [_run("fortnight", visits, seed=number) for number in range(min(rounds, 3))]
    moved, hit, may_move, free = (
        Spread(tuple(one[key] for one in closed)) for key in ("moved", "hit", "may_move", "free")
    )
    section.rows += [
        Row(
            "bookings moved after one place closed for a fortnight",
            f"{moved.say('', 0)}, of them hit {hit.say('', 0)}",
            "at most 40",
            max(moved.values) <= 40,
        ),
        Row(
            "the same where bookings may be moved at a cost of 40, and at no cost",
            f"{may_move.say('', 0)}, {free.say('', 0)}",
        ),
    ]
    return [section]


def _run(way: str, visits: int, *, seed: int) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.booking_solver", way, str(visits), str(seed)],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found
