"""The things of a simulated ward: who is there, what was told, and what has happened."""

import random
from pathlib import Path

from api.storage.bundle import Bundle
from api.storage.device_store import ROLE_STREAMS
from sync.operation import read_body
from tests.simulator.exchanging_tablet import KEY_IS_LOST
from tests.simulator.notes import Notes
from tests.simulator.tablet import Tablet
from tests.simulator.tablet_disk import Memory, OwnEpoch, TabletDisk, Texts
from tests.simulator.unit import Request, Unit
from tests.unit.api.signing_device import SigningDevice

NOON_MS = 1_790_000_000_000
HOUR_MS = 3_600_000
ROLES = {"tablet-a": "bedside", "tablet-b": "bedside", "tablet-c": "booking", "tablet-d": "bedside"}


class Ward:
    """Tablets, a unit, files and backups; what is done to them stands in `world.py`."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.chance = random.Random(seed)
        self.notes = Notes()
        self.events: list[str] = []
        # How often each rare thing happened, so that a test can say that it did.
        self.counts: dict[str, int] = {}
        self.unit = Unit(folder, NOON_MS)
        self.was_unit_put_back = False
        self.doubled: set[str] = set()
        self.put_back: set[str] = set()
        # Entries that somebody brought in another tablet's name; tablets that lost a key.
        self.forged: set[Texts] = set()
        self.rekeyed: set[str] = set()
        # Revoked devices, with the envelopes that counted at that moment.
        self.revoked: dict[str, set[str]] = {}
        # Tablets of which a person carried everything to the unit by hand.
        self.carried: set[str] = set()
        self.files: list[Bundle] = []
        self.tablets: list[Tablet] = []
        self.copies: dict[str, Memory] = {}
        self.late: list[Request] = []
        self.saves = 0
        for device, role in ROLES.items():
            self.add_tablet(device, role)

    def add_tablet(self, device: str, role: str) -> Tablet:
        """Let a new tablet join."""
        skew = self.chance.choice((0, 0, -2 * HOUR_MS, 2 * HOUR_MS))
        key = SigningDevice(device)
        memory = Memory(epoch="ep01", epochs={"ep01": OwnEpoch()}, own_key=key.key_text)
        wall_ms = self.unit.wall_ms + skew
        self.unit.join(device, role, key.key_text, "ep01")
        tablet = Tablet(device, device, role, ROLE_STREAMS[role], TabletDisk(memory), key, wall_ms)
        self.tablets.append(tablet)
        return tablet

    def say(self, what: str) -> None:
        """Write down what happened."""
        self.events.append(what)

    def count(self, what: str) -> None:
        """Count a rare thing."""
        self.counts[what] = self.counts.get(what, 0) + 1

    def pick(self) -> Tablet:
        """Draw a tablet."""
        return self.chance.choice(self.tablets)

    def is_alone(self, device: str) -> bool:
        """Say whether no copy of a device goes about."""
        return [one.device for one in self.tablets].count(device) == 1

    def forget_backups(self) -> None:
        """Keep no backup: what is put back is never from before this moment."""
        self.unit.backup, self.copies = None, {}

    def held_anywhere(self) -> set[str]:
        """Return the references of which the texts, or a re-issue, lie on any disk or file."""
        texts = self.unit.held()
        for tablet in self.tablets:
            texts |= tablet.memory.texts()
        for bundle in self.files:
            texts |= set(bundle.operations)
        references = {again for _, body in texts if (again := read_body(body).again)}
        found = {ref for ref, note in self.notes.told.items() if note.texts in texts}
        return found | references

    def note_gone(self) -> None:
        """Note what lies on no disk and in no file any more."""
        self.notes.gone |= set(self.notes.told) - self.held_anywhere()

    def run_round(self, tablet: Tablet) -> None:
        """Play one round of a tablet to its end on a network that is well."""
        tablet.talk = None
        tablet.disk.crash_next = False
        talk = tablet.exchange()
        try:
            request = next(talk)
            for _ in range(500):
                request = talk.send(self.unit.answer(request))
        except StopIteration as done:
            is_refused = self.unit.is_revoked(tablet.device) and done.value.outcome == "refused"
            if done.value.outcome == "done" or is_refused:
                self.rejoin(tablet, done.value.sentence)
                return
            message = f"{tablet.label} ended a round by {done.value}"
            raise AssertionError(message) from None
        raise AssertionError(f"a round of {tablet.label} does not end")

    def rejoin(self, tablet: Tablet, sentence: str) -> None:
        """A person joins a tablet again of which the unit takes nothing for want of a signature."""
        if self.unit.is_revoked(tablet.device):
            may_sign = (
                tablet.memory.own_key == self.unit.key_of(tablet.device) == tablet.key.key_text
            )
            if tablet.memory.unsent() and not may_sign:
                # It may not join any more: what it holds is carried to the unit by hand.
                self.unit.take_in(tablet.save_to_file(is_all=True))
                self.carried.add(tablet.label)
        elif KEY_IS_LOST in sentence or sentence.startswith("ALARM"):
            key, tablet.disk.crash_next = tablet.key.key_text, False
            self.unit.join(tablet.device, tablet.role, key, tablet.memory.epoch)
            tablet.note_joined()
            self.say(f"{tablet.label} joined again")
