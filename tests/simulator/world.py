"""One simulated ward: tablets, a server, and a network, clocks and disks that misbehave.

Everything that happens is drawn from one seed, so a seed is a run.
"""

import random
from pathlib import Path

from api.storage.device_store import ROLE_STREAMS
from sync.operation import read_body
from tests.simulator.notes import Notes
from tests.simulator.tablet import Tablet
from tests.simulator.tablet_disk import CrashError, Memory, OwnEpoch, TabletDisk
from tests.simulator.unit import Answer, Request, Unit

NOON_MS = 1_790_000_000_000
HOUR_MS = 3_600_000
YEAR_MS = 365 * 24 * HOUR_MS
JUMPS_MS = (-3 * HOUR_MS, 2 * HOUR_MS, YEAR_MS, -YEAR_MS, 10 * YEAR_MS, -10 * YEAR_MS)
STAGES = ("workup", "planned", "in-procedure", "closing", "closed")
ROLES = {"tablet-a": "bedside", "tablet-b": "bedside", "tablet-c": "booking", "tablet-d": "bedside"}
# The tablet with a newer release: it writes a kind and a field that the server does not know.
NEWER = "tablet-d"


class World:
    """The ward of one seed. `run` plays it and leaves it quiet, for `checks` to look at."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.chance = random.Random(seed)
        self.notes = Notes()
        self.events: list[str] = []
        self.unit = Unit(folder, NOON_MS)
        self.was_unit_put_back = False
        self.was_tablet_doubled = False
        self.put_back: set[str] = set()
        self.tablets: list[Tablet] = []
        self._late: list[Request] = []
        self._copies: dict[str, Memory] = {}
        self._saves = 0
        for device, role in ROLES.items():
            self.unit.join(device, role)
            memory = Memory(epoch="ep01", epochs={"ep01": OwnEpoch()})
            skew = self.chance.choice((0, 0, -2 * HOUR_MS, 2 * HOUR_MS))
            disk = TabletDisk(memory)
            self.tablets.append(Tablet(device, device, ROLE_STREAMS[role], disk, NOON_MS + skew))

    def run(self, steps: int) -> None:
        """Play so many steps, then let the network be well until everybody is quiet."""
        acts = (
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
        )
        for _ in range(steps):
            for tablet in self.tablets:
                tablet.wall_ms += 1_000
            self.unit.wall_ms += 1_000
            (act,) = self.chance.choices(
                [act for act, _ in acts], weights=[weight for _, weight in acts]
            )
            act()
        self._settle()

    def _say(self, what: str) -> None:
        self.events.append(what)

    def _pick(self) -> Tablet:
        return self.chance.choice(self.tablets)

    # --- people --------------------------------------------------------------------------------

    def _draw_record(self, tablet: Tablet) -> tuple[str, str, dict[str, object]]:
        chance = self.chance
        booking = (
            ("booking", "patient/p-1", {"phone_note": "x" * chance.choice((1, 2, 3, 9_000))}),
            ("booking", "patient/p-1", {"phone": str(chance.randint(1, 3))}),
        )
        if "care" not in tablet.streams:
            return chance.choice(booking)
        care: tuple[tuple[str, str, dict[str, object]], ...] = (
            ("care", "puncture/q-1", {"stop_um": chance.randint(1, 3)}),
            ("care", "puncture/q-1", {"stop_um": chance.randint(1, 3), "number": 1}),
            ("care", f"coil_placed/k-{chance.randint(1, 2)}", {"slot": chance.randint(1, 3)}),
            ("care", "case/c-1", {"stage": chance.choice(STAGES)}),
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
        tablet = self._pick()
        _, record, _ = self._draw_record(tablet)
        tablet.form = record, tablet.memory.seen(record, self._policies(record))

    def _save(self) -> None:
        """Save what a form says; `over` is what was on screen when it was opened."""
        tablet = self._pick()
        stream, record, values = self._draw_record(tablet)
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
        self._saves += 1
        try:
            operation = tablet.save(
                stream,
                record,
                values=values,
                over=over,
                retract=retract,
                salt=f"{self._saves:032x}",
            )
        except CrashError:
            self._stop(tablet, "stopped while it saved; nobody was told")
            return
        self.notes.write(operation, values, over, retract)
        self._say(f"{tablet.label} saved {operation.reference} on {record} {values or retract}")

    # --- network -------------------------------------------------------------------------------

    def _exchange(self) -> None:
        tablet = self._pick()
        try:
            if tablet.talk is None:
                tablet.talk = tablet.exchange()
                tablet.waits_for = next(tablet.talk)
                return
            assert tablet.waits_for is not None
            answer = self._carry(tablet.waits_for, tablet)
            tablet.waits_for = tablet.talk.send(answer)
        except StopIteration as done:
            tablet.talk = None
            self._say(f"{tablet.label} ended a round: {done.value.outcome} {done.value.sentence}")
        except CrashError:
            self._stop(tablet, "stopped while it exchanged")

    def _carry(self, request: Request, tablet: Tablet) -> Answer | None:
        (fate,) = self.chance.choices(
            ("well", "lost", "answer lost", "twice", "late", "server stopped"),
            weights=(80, 6, 5, 4, 3, 2),
        )
        if fate != "well":
            self._say(f"{tablet.label}: {request.what} {fate}")
        match fate:
            case "well":
                return self.unit.answer(request)
            case "twice":
                self.unit.answer(request)
                return self.unit.answer(request)
            case "answer lost":
                self.unit.answer(request)
            case "late":
                self._late.append(request)
            case "server stopped":
                self.unit.crash_during(request, self.chance.randint(1, 150))
        return None

    def _hear_late(self) -> None:
        """A request that the tablet gave up long ago arrives after all."""
        if self._late:
            request = self._late.pop(self.chance.randrange(len(self._late)))
            self.unit.answer(request)
            self._say(f"late {request.what} of {request.device} arrived")

    # --- clocks and disks ----------------------------------------------------------------------

    def _move_clock(self) -> None:
        moved_ms = self.chance.choice(JUMPS_MS)
        owner = self.chance.choice([*self.tablets, self.unit])
        owner.wall_ms += moved_ms
        self._say(f"a clock moved by {moved_ms // HOUR_MS} h")

    def _stop(self, tablet: Tablet, why: str) -> None:
        tablet.talk, tablet.form = None, None
        self._say(f"{tablet.label} {why}")

    def _stop_tablet(self) -> None:
        self._stop(self._pick(), "stopped")

    def _spoil_next_write(self) -> None:
        self._pick().disk.crash_next = True

    def _back_up(self) -> None:
        """Tonight: a backup of the unit, and a copy of each tablet."""
        self.unit.write_backup(len(self.events))
        self._copies = {one.label: one.memory.copy() for one in self.tablets}
        self._say("backups were made")

    def _put_back_unit(self) -> None:
        if self.unit.backup is None or self.was_unit_put_back:
            return
        self.was_unit_put_back = True
        self.unit.put_back()
        self._note_gone()
        self._say(f"the unit was put back; gone with its disk: {len(self.notes.gone)}")

    def _put_back_tablet(self) -> None:
        known = sorted(self._copies)
        if not known:
            return
        label = self.chance.choice(known)
        tablet = next(one for one in self.tablets if one.label == label)
        self.was_tablet_doubled = True
        self.put_back.add(tablet.device)
        shown = tablet.memory.unsent()
        tablet.disk.committed = self._copies.pop(label)
        before = len(self.notes.gone)
        self._note_gone()
        lost = len(self.notes.gone) - before
        self._stop(tablet, f"was put back to yesterday; gone with its disk: {lost}")
        is_alone = [one.device for one in self.tablets].count(tablet.device) == 1
        assert lost <= shown or self.was_unit_put_back or not is_alone, (
            "more was lost than was shown as unsent"
        )

    def _clone_tablet(self) -> None:
        if len(self.tablets) > len(ROLES):
            return
        self.was_tablet_doubled = True
        first = self._pick()
        disk = TabletDisk(first.memory.copy())
        name = f"{first.label}-copy"
        self.tablets.append(Tablet(name, first.device, first.streams, disk, first.wall_ms))
        self._say(f"{first.label} was cloned")

    def held_anywhere(self) -> set[str]:
        """Return the references of which the texts, or a re-issue, lie on any disk."""
        texts = dict(self.unit.held())
        for envelope, body in self.unit.waiting():
            texts.setdefault(envelope, body)
        references: set[str] = set()
        for tablet in self.tablets:
            texts.update(tablet.memory.forked.values())
            for one in tablet.memory.operations.values():
                texts[one.envelope_text] = one.body_text or ""
        for body in texts.values():
            again = read_body(body).again
            if again:
                references.add(again)
        found = {ref for ref, note in self.notes.told.items() if note.texts in texts.items()}
        return found | references

    def _note_gone(self) -> None:
        self.notes.gone |= set(self.notes.told) - self.held_anywhere()

    # --- the end -------------------------------------------------------------------------------

    def _settle(self) -> None:
        while self._late:
            self._hear_late()
        before = ""
        for _ in range(30):
            for tablet in self.tablets:
                tablet.disk.crash_next = False
                self._run_round(tablet)
            now = repr(
                [
                    (one.memory.epochs, one.memory.cursors, len(one.memory.operations))
                    for one in self.tablets
                ]
            )
            if now == before:
                # A late request brought some of them back.
                self.notes.gone -= self.held_anywhere()
                return
            before = now
        raise AssertionError("the exchange does not come to rest")

    def _run_round(self, tablet: Tablet) -> None:
        tablet.talk = None
        talk = tablet.exchange()
        try:
            request = next(talk)
            for _ in range(500):
                request = talk.send(self.unit.answer(request))
        except StopIteration as done:
            if done.value.outcome == "done":
                return
            message = f"{tablet.label} ended a round by {done.value}"
            raise AssertionError(message) from None
        raise AssertionError(f"a round of {tablet.label} does not end")
