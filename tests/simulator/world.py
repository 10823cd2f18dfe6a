"""One simulated ward: tablets, a server, and a network, clocks and disks that misbehave.

Everything that happens is drawn from one seed, so a seed is a run. What happens more rarely
(keys, revocation, files, new tablets, old cases) stands in `rare_events.py`.
"""

from collections.abc import Callable

from sync.operation import read_body
from tests.simulator.rare_events import RARE_EVENTS, drop_old_cases_of
from tests.simulator.tablet import Tablet
from tests.simulator.tablet_disk import CrashError, TabletDisk
from tests.simulator.unit import Answer, Request
from tests.simulator.ward import HOUR_MS, Ward

YEAR_MS = 365 * 24 * HOUR_MS
JUMPS_MS = (-3 * HOUR_MS, 2 * HOUR_MS, YEAR_MS, -YEAR_MS, 10 * YEAR_MS, -10 * YEAR_MS)
STAGES = ("workup", "planned", "in-procedure", "closing", "closed", "closed")
CASES = ("case/c-1", "case/c-2")
# The tablet with a newer release: it writes a kind and a field that the server does not know.
NEWER = "tablet-d"


class World(Ward):
    """The ward of one seed. `run` plays it and leaves it quiet, for `checks` to look at."""

    def run(self, steps: int) -> None:
        """Play so many steps, then let the network be well until everybody is quiet."""
        acts: list[tuple[Callable[[], None], float]] = [
            (self._save, 30),
            (self._open_form, 8),
            (self._exchange, 60),
            (self._hear_late, 4),
            (self._stop_tablet, 3),
            (self._spoil_next_write, 3),
            (self._move_clock, 3),
            (self._back_up, 2),
            (self._put_back_unit, 1),
            (self._put_back_tablet, 1),
            (self._clone_tablet, 1),
            *((lambda act=act: act(self), weight) for act, weight in RARE_EVENTS),
        ]
        for _ in range(steps):
            for tablet in self.tablets:
                tablet.wall_ms += 1_000
            self.unit.wall_ms += 1_000
            (act,) = self.chance.choices(
                [act for act, _ in acts], weights=[weight for _, weight in acts]
            )
            act()
        self._settle()

    # --- people --------------------------------------------------------------------------------

    def _draw_record(self, tablet: Tablet) -> tuple[str, str, dict[str, object]]:
        chance = self.chance
        booking = (
            ("booking", "patient/p-1", {"phone_note": "x" * chance.choice((1, 2, 3, 9_000))}),
            ("booking", "patient/p-1", {"phone": str(chance.randint(1, 3))}),
        )
        if "care" not in tablet.streams:
            return chance.choice(booking)
        case = chance.choice(CASES)
        mark = case[-1]
        of_case = {"case": case}
        care: tuple[tuple[str, str, dict[str, object]], ...] = (
            ("care", f"puncture/q-{mark}", of_case | {"stop_um": chance.randint(1, 3)}),
            (
                "care",
                f"puncture/q-{mark}",
                of_case | {"stop_um": chance.randint(1, 3), "number": 1},
            ),
            ("care", f"coil_placed/k-{mark}", of_case | {"slot": chance.randint(1, 3)}),
            ("care", case, {"patient": "patient/p-1", "stage": chance.choice(STAGES)}),
            *booking,
        )
        if tablet.device == NEWER:
            care += (
                ("care", "case/c-1", {"new_in_next": chance.randint(1, 3)}),
                ("care", "kind_of_next/n-1", {"anything": chance.randint(1, 3)}),
            )
        return chance.choice(care)

    def _policies(self, record: str) -> dict:
        return dict(self.unit.store.catalogue.policies_of(record.split("/")[0]))

    def _open_form(self) -> None:
        tablet = self.pick()
        _, record, _ = self._draw_record(tablet)
        if not _dropped_case(tablet, record):
            tablet.form = record, tablet.memory.seen(record, self._policies(record))

    def _save(self) -> None:
        """Save what a form says; `over` is what was on screen when it was opened."""
        tablet = self.pick()
        stream, record, values = self._draw_record(tablet)
        case = _dropped_case(tablet, record)
        if case:
            # It is not on the screen: whoever opens it waits for it first.
            try:
                tablet.look_at(case)
            except CrashError:
                self._stop(tablet, "stopped")
            self.say(f"{tablet.label} asks for {case}")
            self.count("dropped case asked for")
            return
        retract: tuple[str, ...] = ()
        over: dict[str, tuple[str, ...]] = {}
        held = tablet.memory.of_record(record)
        if held and self.chance.random() < 0.15:
            target = self.chance.choice(sorted(held, key=lambda one: one.reference))
            retract = (read_body(target.body_text or "").again or target.reference,)
            values = {}
        else:
            seen = tablet.memory.seen(record, self._policies(record))
            if tablet.form is not None and tablet.form[0] == record:
                seen = tablet.form[1]
            over = {name: seen[name] for name in values if seen.get(name)}
        tablet.form = None
        self.saves += 1
        try:
            operation = tablet.save(
                stream,
                record,
                values=values,
                over=over,
                retract=retract,
                salt=f"{self.saves:032x}",
            )
        except CrashError:
            self._stop(tablet, "stopped while it saved; nobody was told")
            return
        self.notes.write(operation, values, over, retract)
        self.say(f"{tablet.label} saved {operation.reference} on {record} {values or retract}")

    # --- network -------------------------------------------------------------------------------

    def _exchange(self) -> None:
        tablet = self.pick()
        try:
            if tablet.talk is None:
                tablet.open_case = self.chance.choice((*CASES, "", ""))
                tablet.talk = tablet.exchange()
                tablet.waits_for = next(tablet.talk)
                return
            assert tablet.waits_for is not None
            answer = self._carry(tablet.waits_for, tablet)
            tablet.waits_for = tablet.talk.send(answer)
        except StopIteration as done:
            tablet.talk = None
            self.say(f"{tablet.label} ended a round: {done.value.outcome} {done.value.sentence}")
            drop_old_cases_of(self, tablet)
        except CrashError:
            self._stop(tablet, "stopped while it exchanged")

    def _carry(self, request: Request, tablet: Tablet) -> Answer | None:
        (fate,) = self.chance.choices(
            ("well", "lost", "answer lost", "twice", "late", "server stopped"),
            weights=(80, 6, 5, 4, 3, 2),
        )
        if request.record:
            self.count("page of one case")
        if fate != "well":
            self.say(f"{tablet.label}: {request.what} {fate}")
        match fate:
            case "well":
                return self.unit.answer(request)
            case "twice":
                self.unit.answer(request)
                return self.unit.answer(request)
            case "answer lost":
                self.unit.answer(request)
            case "late":
                self.late.append(request)
            case "server stopped":
                self.unit.crash_during(request, self.chance.randint(1, 150))
        return None

    def _hear_late(self) -> None:
        """A request that the tablet gave up long ago arrives after all."""
        if self.late:
            request = self.late.pop(self.chance.randrange(len(self.late)))
            self.unit.answer(request)
            self.say(f"late {request.what} of {request.device} arrived")

    # --- clocks and disks ----------------------------------------------------------------------

    def _move_clock(self) -> None:
        moved_ms = self.chance.choice(JUMPS_MS)
        owner = self.chance.choice([*self.tablets, self.unit])
        owner.wall_ms += moved_ms
        self.say(f"a clock moved by {moved_ms // HOUR_MS} h")

    def _stop(self, tablet: Tablet, why: str) -> None:
        tablet.talk, tablet.form = None, None
        self.say(f"{tablet.label} {why}")

    def _stop_tablet(self) -> None:
        self._stop(self.pick(), "stopped")

    def _spoil_next_write(self) -> None:
        self.pick().disk.crash_next = True

    def _back_up(self) -> None:
        """Tonight: a backup of the unit, and a copy of each tablet."""
        self.unit.write_backup(len(self.events))
        self.copies = {one.label: one.memory.copy() for one in self.tablets}
        self.say("backups were made")

    def _put_back_unit(self) -> None:
        if self.unit.backup is None or self.was_unit_put_back:
            return
        self.was_unit_put_back = True
        self.unit.put_back()
        self.note_gone()
        self.say(f"the unit was put back; gone with its disk: {len(self.notes.gone)}")

    def _put_back_tablet(self) -> None:
        known = sorted(self.copies)
        if not known:
            return
        label = self.chance.choice(known)
        tablet = next(one for one in self.tablets if one.label == label)
        self.doubled.add(tablet.device)
        self.put_back.add(tablet.device)
        shown = tablet.memory.unsent()
        tablet.disk.committed = self.copies.pop(label)
        before = len(self.notes.gone)
        self.note_gone()
        lost = len(self.notes.gone) - before
        self._stop(tablet, f"was put back to yesterday; gone with its disk: {lost}")
        tablet.settle_key()
        assert lost <= shown or self.was_unit_put_back or not self.is_alone(tablet.device), (
            "more was lost than was shown as unsent"
        )

    def _clone_tablet(self) -> None:
        if len(self.doubled - self.put_back) > 0:
            return
        first = self.pick()
        self.doubled.add(first.device)
        name = f"{first.label}-copy"
        disk = TabletDisk(first.memory.copy())
        self.tablets.append(
            Tablet(name, first.device, first.role, first.streams, disk, first.key, first.wall_ms)
        )
        self.say(f"{first.label} was cloned")

    # --- the end -------------------------------------------------------------------------------

    def _settle(self) -> None:
        while self.late:
            self._hear_late()
        for bundle in self.files:
            self.unit.take_in(bundle)
        before = ""
        for _ in range(30):
            for tablet in self.tablets:
                tablet.disk.crash_next = False
                for case in CASES:
                    tablet.look_at(case)
                self.run_round(tablet)
            now = repr(
                [
                    (one.memory.epochs, one.memory.cursors, one.memory.own_key, one.memory.texts())
                    for one in self.tablets
                ]
            )
            if now == before:
                # A late request brought some of them back.
                self.notes.gone -= self.held_anywhere()
                return
            before = now
        raise AssertionError("the exchange does not come to rest")


def _dropped_case(tablet: Tablet, record: str) -> str:
    """Return the dropped case in which a record lies, "" when it can be shown."""
    for case, dropped in tablet.memory.dropped.items():
        if record in dropped.records or record[-1] == case[-1]:
            return case
    return ""
