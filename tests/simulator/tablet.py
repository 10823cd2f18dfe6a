"""A simulated tablet: a person saves on it, opens cases, and carries files to and from it."""

import hashlib
from collections.abc import Mapping
from typing import Any

from api.storage.bundle import Bundle, HeadSignature, Manifest
from sync.clock import next_stamp
from sync.operation import Body, Operation, make_operation
from tests.simulator.exchanging_tablet import ExchangingTablet, texts_of
from tests.simulator.tablet_disk import Dropped


class Tablet(ExchangingTablet):
    """One tablet of the ward."""

    form: tuple[str, dict[str, tuple[str, ...]]] | None = None

    def save(
        self,
        stream: str,
        record: str,
        *,
        values: Mapping[str, Any],
        over: Mapping[str, tuple[str, ...]],
        retract: tuple[str, ...] = (),
        salt: str,
    ) -> Operation:
        """Save one operation; when this returns the person has been told that it is saved."""
        with self.disk.write() as memory:
            tip = memory.tip(memory.epoch)
            stamp = next_stamp(memory.clock, wall_ms=self.wall_ms, device=self.device)
            assert memory.clock is None or stamp > memory.clock, "HC2"
            operation = make_operation(
                device=self.device,
                epoch=memory.epoch,
                counter=tip.counter + 1,
                previous=tip.hash,
                stream=stream,
                record=record,
                stamp=str(stamp),
                body=Body(
                    salt=salt,
                    by="staff/s-1",
                    tapped_by="staff/s-1",
                    catalogue=1,
                    set=dict(values),
                    over=dict(over),
                    retract=retract,
                ),
            )
            memory.insert(operation, self.wall_ms)
            memory.change_epoch(memory.epoch, counter=operation.counter, hash=operation.hash)
            memory.clock = stamp
        return operation

    def settle_key(self) -> None:
        """Go on in a new epoch where the key is another than the unit knows (SG6)."""
        if self.memory.own_key != self.key.key_text != self.memory.new_key:
            # It is only just starting: what was under way when it stopped is gone already.
            self.disk.crash_next = False
            with self.disk.write() as memory:
                memory.new_key = self.key.key_text
                memory.begin_epoch(self._new_epoch())

    def note_joined(self) -> None:
        """Keep that the unit knows this key now."""
        with self.disk.write() as memory:
            memory.own_key, memory.new_key = self.key.key_text, ""

    def save_to_file(self, *, is_all: bool) -> Bundle:
        """Return a bundle of what is held here, or of the own entries that the unit lacks."""
        memory = self.memory
        held = sorted(
            (one for one in memory.operations.values() if one.body_text is not None),
            key=lambda one: (one.device, one.epoch, one.counter),
        )
        if not is_all:
            held = [
                one
                for one in held
                if one.device == self.device and one.counter > memory.epochs[one.epoch].held
            ]
        tip = memory.tip(memory.epoch)
        signatures: tuple[HeadSignature, ...] = ()
        if tip.counter > 0 and memory.own_key == self.key.key_text:
            last = memory.operations[self.device, tip.epoch, tip.counter]
            key_id = hashlib.sha256(self.key.public_key).hexdigest()
            signature = self.key.sign_head(last)
            head = self.device, tip.epoch, tip.counter, tip.hash
            signatures = (HeadSignature(*head, key_id, signature),)
        manifest = Manifest(
            made_by=self.device,
            made_at_ms=self.wall_ms,
            scope="all" if is_all else "unsent",
            streams=tuple(sorted({one.stream for one in held})),
        )
        return Bundle(manifest, tuple(texts_of(held)), signatures)

    def look_at(self, case: str) -> None:
        """Open a case; one that was dropped is asked for (SN6)."""
        self.open_case = case
        with self.disk.write() as memory:
            if case in memory.dropped:
                memory.dropped[case] = Dropped(memory.dropped[case].records, is_wanted=True)
