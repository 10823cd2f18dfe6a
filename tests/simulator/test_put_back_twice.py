"""Unit and writer were both put back: one id stands for two entries, and people are told."""

import shutil

import pytest

from tests.reliability.ward import make_quick_folder
from tests.simulator.checks import find_faults
from tests.simulator.ward import Ward


@pytest.fixture
def ward():
    folder = make_quick_folder()
    made = Ward(1, folder)
    yield made
    made.unit.store.close()
    shutil.rmtree(folder)


def _save(ward, tablet, value):
    ward.saves += 1
    values = {"stop_um": value}
    operation = tablet.save(
        "care", "puncture/q-1", values=values, over={}, salt=f"{ward.saves:032x}"
    )
    ward.notes.write(operation, values, {}, ())
    return operation


def test_both_texts_are_kept_and_told_of_at_the_unit_and_on_each_tablet_that_held_the_first(ward):
    """[EX19]. The first is written, exchanged and read; then unit and writer go back to before it.

    Caught, each planted in turn and taken out again:

    - `resupply.ts` and the simulated tablet offered from after the last counter that the unit
      holds (so it was): nobody at the unit was told;
    - `pulled-page.ts` and the simulated tablet set the second version aside in place of the first:
      whoever had read the first showed another than the unit.
    """
    a, b, _, d = ward.tablets
    ward.unit.write_backup(1)
    before = a.memory.copy()
    first = _save(ward, a, 1)
    ward.run_round(a)
    ward.run_round(b)
    ward.was_unit_put_back = True
    ward.unit.put_back()
    a.disk.committed = before
    ward.doubled.add(a.device)
    second = _save(ward, a, 2)
    assert (second.op_id, second.hash == first.hash) == (first.op_id, False)

    for tablet in (a, b, d, a, b, d):
        ward.run_round(tablet)

    texts = first.envelope_text, first.body_text
    assert "Two devices wrote as tablet-a" in b.memory.quarantine[texts]
    (fork,) = ward.unit.store.marks.forks()
    assert {fork.held_hash, fork.other_hash} == {first.hash, second.hash}
    for tablet in (a, b, d):
        assert [one.hash for one in tablet.memory.of_record("puncture/q-1")] == [second.hash]
    assert [one.hash for one in ward.unit.store.operations.of_record("puncture/q-1")] == [
        second.hash
    ]
    assert texts in [(one.envelope, one.body) for one in ward.unit.store.operations.quarantined()]
    assert find_faults(ward) == []
