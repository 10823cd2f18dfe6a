"""Tablets are copied and the unit is put back; at the end all show the same and nothing is lost."""

import copy

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from sync.merge import canonical_text, merge_record
from tests.properties.fork_model import POLICIES, RECORD, Tablet, Unit

TABLETS = st.integers(0, 4)
MARKS = "zyxwvuts"


class ForksAndRestores(RuleBasedStateMachine):
    """Two tablets, copies of them, and a unit that is put back once.

    [EX9] [EX10] [EX11] [MG10] [LG5] cloned_device, server_restored_from_backup,
    converge_any_delivery. No tablet is destroyed, so every value ever saved has to be shown by
    all at the end, and a value that replaced others has to stand for them.

    Caught, each planted in turn and taken out again:

    - `exchange_machine.py`: a fork was written again from one operation too late;
    - `exchange_machine.py`: no `read_own`, so that a tablet never saw what its copy wrote;
    - `exchange_machine.py`: `begin_offer` left out;
    - `reissue.py`: a re-issue of a re-issue named the one before instead of the very first;
    - `reissue.py`: `over` that names a re-issue was not turned to the first.
    """

    def __init__(self) -> None:
        super().__init__()
        self.unit = Unit()
        self.tablets: list[Tablet] = []
        self.values: list[str] = []
        self.put_backs = 0

    @initialize()
    def start(self) -> None:
        self.tablets = [Tablet("tablet-a", "a", "a0000"), Tablet("tablet-b", "b", "b0000")]

    def _tablet(self, number: int) -> Tablet:
        return self.tablets[number % len(self.tablets)]

    @rule(number=TABLETS, replaces=st.booleans())
    def save(self, number: int, replaces: bool) -> None:
        tablet = self._tablet(number)
        value = f"v{len(self.values)}"
        asked = tablet.state().fields.get("asked")
        over = {"asked": asked.references} if replaces and asked else {}
        tablet.save({"kept": value, "asked": value}, over)
        self.values.append(value)

    @rule(number=TABLETS, answers=st.integers(1, 40))
    def exchange(self, number: int, answers: int) -> None:
        self._tablet(number).round(self.unit, answers=answers)

    @rule(number=TABLETS)
    def copy_tablet(self, number: int) -> None:
        if len(self.tablets) < 5:
            made = copy.deepcopy(self._tablet(number))
            made.mark = MARKS[len(self.tablets)]
            self.tablets.append(made)

    @rule(keep=st.integers(0, 12))
    def put_unit_back(self, keep: int) -> None:
        if self.put_backs < 1 and keep < len(self.unit.received):
            self.put_backs += 1
            self.unit.put_back_to(keep)

    def teardown(self) -> None:
        for _ in range(12):
            before = (self._shown(), len(self.unit.received))
            for tablet in self.tablets:
                tablet.round(self.unit, answers=400)
                if tablet.is_asked_again:
                    tablet.round(self.unit, answers=400)
            if (self._shown(), len(self.unit.received)) == before:
                break
        else:
            raise AssertionError("the exchange does not come to rest")
        at_unit = merge_record(RECORD, self.unit.received, POLICIES)
        for tablet in self.tablets:
            assert tablet.state() == at_unit
        kept = at_unit.fields.get("kept")
        shown = {canonical_text(held.value) for held in (kept.values if kept else ())}
        assert shown == {canonical_text(value) for value in self.values}
        assert at_unit.waiting == ()
        assert self.unit.waiting == {}

    def _shown(self) -> list[object]:
        return [tablet.state() for tablet in self.tablets]


TestForksAndRestores = ForksAndRestores.TestCase
TestForksAndRestores.settings = settings(max_examples=150, stateful_step_count=25, deadline=None)
