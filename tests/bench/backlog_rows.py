"""Rows b, c and d: a backlog and concurrent edits, ours and peers interleaved in one run.

Every peer does the same work: one client has written the records offline and sends them to a
server that keeps them on disk; a second client, empty, gets them. Then both edit the same records
offline, differently, and exchange until each has everything.
"""

import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.peer_process import (
    BENCH,
    BUILT_TABLET,
    Client,
    NodeServer,
    OurServer,
    WireCounter,
    wait_until_quiet,
)
from tests.bench.rounds import Row, Section, Spread, cpu_seconds

WARM_UP = 500


@dataclass(frozen=True)
class Peer:
    """One way of doing the work."""

    name: str
    client: Path
    open_server: Callable[[Path], OurServer | NodeServer]
    keeps_both: bool


@dataclass
class Taken:
    """What one peer needed, one value a round."""

    push_cpu_s: list[float] = field(default_factory=list)
    pull_cpu_s: list[float] = field(default_factory=list)
    both_cpu_s: list[float] = field(default_factory=list)
    edits_ms: list[float] = field(default_factory=list)
    hidden: int = 0
    lost: int = 0
    push_bytes: int = 0
    pull_bytes: int = 0
    server_bytes: int = 0
    client_bytes: int | None = None


def list_peers() -> list[Peer]:
    """Return ours and the general-purpose libraries it is measured beside."""
    scripts = BENCH / "peers"
    return [
        Peer("crura", BUILT_TABLET, OurServer, keeps_both=True),
        Peer(
            "PouchDB",
            scripts / "pouchdb.mjs",
            lambda folder: NodeServer("pouchdb-server.mjs", folder),
            keeps_both=True,
        ),
        Peer(
            "Automerge",
            scripts / "automerge.mjs",
            lambda folder: NodeServer("automerge-server.mjs", folder),
            keeps_both=True,
        ),
        Peer(
            "Yjs",
            scripts / "yjs.mjs",
            lambda folder: NodeServer("yjs-server.mjs", folder),
            keeps_both=False,
        ),
    ]


def measure_backlog(rounds: int, *, records: int, pairs: int) -> list[Section]:
    """Return the sections of the backlog and of the concurrent edits."""
    peers = list_peers()
    taken = {peer.name: Taken() for peer in peers}
    # The round before the first goes through a counter of bytes and is not timed.
    for number in range(rounds + 1):
        for peer in peers:
            with tempfile.TemporaryDirectory(prefix="crura-bench-") as folder:
                place = Path(folder) / "server"
                _play(peer, taken[peer.name], place, number == 0, records, pairs)
    return [
        _report_backlog(peers, taken, records),
        _report_edits(peers, taken, pairs),
    ]


def _play(
    peer: Peer, taken: Taken, folder: Path, is_counted: bool, records: int, pairs: int
) -> None:
    with ExitStack() as stack:
        server = stack.enter_context(peer.open_server(folder))
        wire = stack.enter_context(WireCounter(server.address))
        first, second = (stack.enter_context(Client(peer.client)) for _ in range(2))
        for name, client in (("first", first), ("second", second)):
            told = server.start_of(name)
            client.do("start", **(told | ({"address": wire.address} if is_counted else {})))
        first.do("fill", first=0, count=WARM_UP)
        first.do("sync")
        second.do("sync")
        empty_bytes = server.stored_bytes()
        first.do("fill", first=WARM_UP, count=records)
        wire.take()
        push_cpu_s = _sync(first, server)
        push_bytes = wire.take()
        pull_cpu_s = _sync(second, server)
        pull_bytes = wire.take()
        count = second.do("count")["count"]
        assert count == WARM_UP + records, f"{peer.name}: {count} records arrived"
        if is_counted:
            taken.push_bytes, taken.pull_bytes = push_bytes, pull_bytes
            taken.server_bytes = server.stored_bytes() - empty_bytes
            taken.client_bytes = second.do("size")["bytes"]
        for client, outcome in ((first, "not-seen"), (second, "skipped")):
            client.do("edit", first=WARM_UP, count=pairs, outcome=outcome)
        edits_ms = sum(client.do("sync")["ms"] for client in (first, second, first))
        told_pairs = [client.do("pairs", first=WARM_UP, count=pairs) for client in (first, second)]
        taken.hidden = max([taken.hidden, *(one["hidden"] for one in told_pairs)])
        taken.lost = max([taken.lost, *(one["lost"] for one in told_pairs)])
        if not is_counted:
            taken.push_cpu_s.append(push_cpu_s)
            taken.pull_cpu_s.append(pull_cpu_s)
            taken.both_cpu_s.append(push_cpu_s + pull_cpu_s)
            taken.edits_ms.append(edits_ms)


def _sync(client: Client, server: OurServer | NodeServer) -> float:
    """Run one exchange and return the processor time of client and server together, in s."""
    before = cpu_seconds(server.pid)
    own_s = client.do("sync")["cpuMs"] / 1e3
    wait_until_quiet(server.pid)
    return own_s + cpu_seconds(server.pid) - before


def _report_backlog(peers: list[Peer], taken: dict[str, Taken], records: int) -> Section:
    section = Section(
        f"A backlog of {records:,} records: sent, and taken in by a second tablet",
        bar_unit="records per processor second",
        note=(
            "Processor time of client and server together, clients in Node with their store in "
            "memory. Automerge holds the records in twenty documents and Yjs in one, the cheapest "
            "way for each. PouchDB does not flush each batch to disk; the other servers do. Only "
            "ours carries a hash chain, a salted commitment and its check for each record."
        ),
    )
    ours = taken["crura"]
    rates = {
        name: Spread(tuple(records / one for one in some.both_cpu_s))
        for name, some in taken.items()
    }
    fastest = max(
        (one for one in peers[1:] if one.keeps_both), key=lambda one: rates[one.name].median
    )
    ratio = rates["crura"].median / rates[fastest.name].median
    section.rows.append(
        Row(
            "records per processor second, push and pull",
            rates["crura"].say("", 0) + f"; {ratio:.1f} times {fastest.name}",
            "10 times the fastest peer that loses no concurrent edit",
            ratio >= 10,
        )
    )
    section.rows.extend(
        Row(f"the same, {peer.name}", rates[peer.name].say("", 0)) for peer in peers[1:]
    )
    for what, total in (("push", ours.push_bytes), ("pull", ours.pull_bytes)):
        others = ", ".join(
            f"{peer.name} {getattr(taken[peer.name], f'{what}_bytes') / 1e6:.2f}"
            for peer in peers[1:]
        )
        section.rows.append(
            Row(f"on the wire, {what}", f"{total / 1e6:.2f} MB ({others})", "1.0 MB", total <= 1e6)
        )
    for what, total in (("server", ours.server_bytes), ("tablet", ours.client_bytes or 0)):
        held = records if what == "server" else records + WARM_UP
        section.rows.append(
            Row(
                f"on disk a record, {what}",
                f"{total / held:,.0f} bytes",
                "400 bytes",
                total / held <= 400,
            )
        )
    section.bars = [(name, one.median) for name, one in rates.items()]
    return section


def _report_edits(peers: list[Peer], taken: dict[str, Taken], pairs: int) -> Section:
    section = Section(f"{2 * pairs:,} concurrent edits of {pairs:,} records", bar_unit="ms")
    for peer in peers:
        some, is_ours = taken[peer.name], peer.name == "crura"
        spread = Spread(tuple(some.edits_ms))
        section.rows.append(
            Row(
                "exchanged again until both have all" if is_ours else f"the same, {peer.name}",
                spread.say("ms", 0),
                "1,000 ms" if is_ours else "",
                spread.median <= 1_000 if is_ours else None,
            )
        )
        section.bars.append((peer.name, spread.median))
    for peer in peers:
        some, is_ours = taken[peer.name], peer.name == "crura"
        section.rows.append(
            Row(
                f"pairs of which a plain read hides one value, {peer.name}",
                f"{some.hidden:,} hidden, {some.lost:,} lost, of {pairs:,}",
                "0 hidden" if is_ours else "",
                some.hidden == 0 if is_ours else None,
            )
        )
    return section
