"""Devices are revoked between their pushes, and one writes as the next release does."""

import shutil

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from api.storage.unit_store import open_unit_store
from api.use_cases.answer_pull import answer_pull
from api.use_cases.errors import NotAllowedError
from api.use_cases.invite_device import invite_device
from api.use_cases.join_device import join_device
from api.use_cases.receive_push import receive_push
from api.use_cases.receive_resupply import PUT_BACK, receive_resupply
from api.use_cases.revoke_device import revoke_device
from api.use_cases.verify_log import verify_log
from tests.reliability.ward import make_quick_folder
from tests.unit.api.standing_unit import Writer, texts

TABLETS = ("tablet-a", "tablet-b", "tablet-c")
READER = "tablet-r"
NUMBERS = st.integers(0, len(TABLETS) - 1)
RECORD = "puncture/p-1"


class Revocations(RuleBasedStateMachine):
    """The real store against a plain set: what was received in time counts, and nothing else.

    [EX12] [EX10] [MG8] [MG12] [OP7] forged_op, schema_from_the_future_and_past. Entries also come
    by way of another tablet, as to a unit that was put back, and any of them comes again.

    Caught, each planted in turn and taken out again:

    - `log_receiver.py`: what another tablet supplied of a revoked one was taken in;
    - `log_marks.py`: the end of a revoked log counted one operation too many;
    - `answer_pull.py`: a revoked device was answered.
    """

    def __init__(self) -> None:
        super().__init__()
        self.folder = make_quick_folder()
        self.store = open_unit_store(self.folder / "unit", new_generation="generation-1")
        for device in (*TABLETS, READER):
            invite_device(self.store, "bedside", code=f"CODE-{device}".upper(), now_ms=0)
            join_device(
                self.store,
                code=f"CODE-{device}".upper(),
                device=device,
                name=device,
                held_token=None,
                new_token=device,
                now_ms=0,
            )
        with self.store.transaction():
            self.store.keep_fact(PUT_BACK, "0")
        self.writers = [Writer(name) for name in TABLETS]
        self.sent = dict.fromkeys(TABLETS, 0)
        # What the model itself knows: references that count, those set aside, who was revoked.
        self.counts: set[str] = set()
        self.aside: set[str] = set()
        self.revoked: set[str] = set()
        self.newer = 0

    def _device(self, name: str):
        found = self.store.devices.find(name)
        assert found is not None
        return found

    @rule(number=NUMBERS, is_newer=st.booleans())
    def write(self, number: int, is_newer: bool) -> None:
        field = "of_next_release" if is_newer else "stop_um"
        self.writers[number].write(RECORD, set={field: len(self.counts)})

    @rule(number=NUMBERS, count=st.integers(1, 3), by_other=st.booleans(), again=st.booleans())
    def send(self, number: int, count: int, by_other: bool, again: bool) -> None:
        writer = self.writers[number]
        first = 0 if again else self.sent[writer.device]
        if first == len(writer.log):
            writer.write(RECORD, set={"stop_um": first})
        batch = writer.log[first : first + count]
        if by_other:
            answer = receive_resupply(self.store, self._device(READER), [], texts(*batch), now_ms=1)
        else:
            answer = receive_push(self.store, self._device(writer.device), texts(*batch), now_ms=1)
        for place, one in enumerate(batch, first):
            if place < self.sent[writer.device]:
                continue
            self.sent[writer.device] = place + 1
            if writer.device in self.revoked:
                self.aside.add(one.reference)
            else:
                self.counts.add(one.reference)
                self.newer += "of_next_release" in (one.body_text or "")
        told = {one.op_id for one in answer.quarantined}
        assert told == {one.op_id for one in batch if one.reference in self.aside}

    @precondition(lambda self: len(self.revoked) < len(TABLETS))
    @rule(number=NUMBERS)
    def revoke(self, number: int) -> None:
        device = TABLETS[number]
        if device not in self.revoked:
            revoke_device(self.store, device, now_ms=1)
            self.revoked.add(device)

    @invariant()
    def what_counts_is_what_came_in_time(self) -> None:
        page = answer_pull(
            self.store, self._device(READER), "care", after=0, limit=1_000, with_own=True
        )
        written = {one.envelope_text: one for writer in self.writers for one in writer.log}
        handed = [written[envelope] for _, envelope, _ in page.operations]
        assert {one.reference for one in handed} == self.counts
        assert all(body == written[envelope].body_text for _, envelope, body in page.operations)
        with self.store.transaction():
            kept = {(one.envelope, one.body) for one in self.store.operations.quarantined()}
            state = self.store.views.state_of(RECORD)
        assert kept == {
            (one.envelope_text, one.body_text)
            for one in written.values()
            if one.reference in self.aside
        }
        assert (state.newer if state else 0) == self.newer
        for device in TABLETS:
            tip = self.store.operations.tip_of(device, "ep01")
            assert tip.counter == self.sent[device]

    @invariant()
    def a_revoked_device_reads_nothing(self) -> None:
        for device in self.revoked:
            try:
                answer_pull(
                    self.store, self._device(device), "care", after=0, limit=9, with_own=True
                )
            except NotAllowedError:
                continue
            raise AssertionError(f"{device} was answered")

    def teardown(self) -> None:
        try:
            assert verify_log(self.store).findings == ()
        finally:
            self.store.close()
            shutil.rmtree(self.folder)


TestRevocations = Revocations.TestCase
TestRevocations.settings = settings(max_examples=50, stateful_step_count=20, deadline=None)
