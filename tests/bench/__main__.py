"""Measures the product beside the raw limit and beside peers: `make bench`.

`python -m tests.bench --help` lists what can be left out. It writes `results.md` and
`results.svg` beside this file and prints the tables. Nothing here is part of `make test`: a
figure on a busy machine is no verdict. An answer that is wrong is one: the bench fails.
"""

import argparse
import sys
from collections.abc import Callable

from tests.bench.access_rows import LINES, measure_access
from tests.bench.app_rows import measure_app
from tests.bench.backlog_rows import measure_backlog
from tests.bench.booking_rows import VISITS, measure_bookings
from tests.bench.crowd_rows import measure_crowd
from tests.bench.peer_process import node_version
from tests.bench.push_rows import measure_push
from tests.bench.recall_rows import IMPLANTS, measure_recall
from tests.bench.report import PLOT, RESULTS, draw_bars, write_report
from tests.bench.rounds import Section, describe_machine

PARTS = ("push", "backlog", "app", "crowd", "bookings", "recall", "access")


def main() -> None:
    """Run the parts that were asked for and write the report."""
    asked = argparse.ArgumentParser(prog="tests.bench", description=__doc__)
    asked.add_argument("--only", choices=PARTS, action="append", help="measure this part alone")
    asked.add_argument("--rounds", type=int, default=5, help="interleaved rounds (5)")
    asked.add_argument("--records", type=int, default=20_000, help="records of the backlog")
    asked.add_argument("--pairs", type=int, default=2_000, help="pairs of concurrent edits")
    asked.add_argument("--held", type=int, default=100_000, help="operations held by the server")
    asked.add_argument("--visits", type=int, default=VISITS, help="visits to be booked")
    asked.add_argument("--implants", type=int, default=IMPLANTS, help="implants of a recall")
    asked.add_argument("--lines", type=int, default=LINES, help="lines of the trail of access")
    asked.add_argument("--print", action="store_true", help="print and write no file")
    given = asked.parse_args()
    jobs: dict[str, Callable[[], list[Section]]] = {
        "push": lambda: [measure_push(4 * given.rounds)],
        "backlog": lambda: measure_backlog(given.rounds, records=given.records, pairs=given.pairs),
        "app": lambda: [measure_app(2 * given.rounds)],
        "crowd": lambda: [measure_crowd(held=given.held)],
        "bookings": lambda: measure_bookings(given.rounds, visits=given.visits),
        "recall": lambda: measure_recall(given.rounds, implants=given.implants),
        "access": lambda: measure_access(given.rounds, lines=given.lines),
    }
    before = describe_machine()
    sections: list[Section] = []
    for part in given.only or PARTS:
        print(f"measuring: {part}", file=sys.stderr, flush=True)
        sections += jobs[part]()
    after = describe_machine().rsplit("load ", 1)[1]
    machine = before.replace("; load", f", Node {node_version()}; load") + f" before, {after} after"
    command = " ".join(["python -m tests.bench", *sys.argv[1:]])
    report = write_report(sections, machine, command)
    print(report)
    if not given.print:
        RESULTS.write_text(report)
        PLOT.write_text(draw_bars(sections))
    faults = [f"{section.title}: {fault}" for section in sections for fault in section.faults]
    if faults:
        sys.exit("\n".join(["An answer was wrong:", *faults]))


if __name__ == "__main__":
    main()
