"""Three people decide at once, and a device is taken out of a stream: whole rounds, real unit."""

import shutil

import pytest

from api.storage import snapshots
from sync.merge import merge_record
from tests.reliability.ward import make_quick_folder
from tests.simulator.checks import find_faults
from tests.simulator.run import SEGMENT_OPERATIONS
from tests.simulator.unit import Request
from tests.simulator.ward import Ward

RECORD = "puncture/q-1"


@pytest.fixture
def ward(monkeypatch):
    monkeypatch.setattr(snapshots, "SEGMENT_OPERATIONS", SEGMENT_OPERATIONS)
    folder = make_quick_folder()
    made = Ward(1, folder)
    yield made
    made.unit.store.close()
    shutil.rmtree(folder)


def _save(ward, tablet, record, values, over=None, stream="care"):
    ward.saves += 1
    operation = tablet.save(
        stream, record, values=values, over=over or {}, salt=f"{ward.saves:032x}"
    )
    ward.notes.write(operation, values, over or {}, ())
    return operation


def _exchange(ward, tablets, rounds=2):
    for _ in range(rounds):
        for tablet in tablets:
            ward.run_round(tablet)


def _shown(ward, tablet):
    policies = ward.unit.store.catalogue.policies_of("puncture")
    return merge_record(RECORD, tablet.memory.of_record(RECORD), policies).fields["stop_um"]


@pytest.mark.parametrize(
    ("choices", "left"), [((1, 1, 1), {1}), ((1, 2, 1), {1, 2}), ((3, 1, 2), {1, 2, 3})]
)
def test_resolution_race_equal_choices_settle_others_stay_open_and_nothing_storms(
    ward, choices, left
):
    """resolution_race [CF2] [MG3]: three tablets settle one conflict apart.

    Then 100 more rounds of each: not one operation more.

    Caught, planted and taken out again: `merge.py` told equal values of two writers apart.
    """
    a, b, _, d = ward.tablets
    _save(ward, a, RECORD, {"stop_um": 1})
    _save(ward, b, RECORD, {"stop_um": 2})
    _exchange(ward, (a, b, d))
    assert all(_shown(ward, one).is_conflict for one in (a, b, d))
    for tablet, choice in zip((a, b, d), choices, strict=True):
        over = {"stop_um": _shown(ward, tablet).references}
        _save(ward, tablet, RECORD, {"stop_um": choice}, over)
    _exchange(ward, (a, b, d))

    for tablet in (a, b, d):
        shown = _shown(ward, tablet)
        assert {held.value for held in shown.values} == left
        assert shown.is_conflict == (len(left) > 1)
    count = ward.unit.store.operations.count()
    _exchange(ward, (a, b, d), rounds=100)
    assert ward.unit.store.operations.count() == count
    assert {len(tablet.memory.operations) for tablet in (a, b, d)} == {count}
    assert find_faults(ward) == []


def test_scopes_roles_erasure_a_narrower_role_reads_no_more_a_wider_one_from_the_start(ward):
    """scopes_roles_erasure [EX7] [EX13] [SN2]: what a booking device is sent, byte by byte.

    A tablet keeps what it read under its wider role until its storage is cleared; erasure of keys
    belongs to a later stage, as does leaving a scope.

    Caught, each planted in turn and taken out again:

    - `answer_pull.py`: the stream was not held against the role;
    - `answer_snapshot.py`: a segment was handed to whoever knew its name.
    """
    a, _, c, _ = ward.tablets
    canary = "canary-of-care"
    wire: list[str] = []
    answer = ward.unit.answer

    def listen(request):
        told = answer(request)
        if request.device == c.device:
            wire.append(repr(told))
        return told

    ward.unit.answer = listen
    for _ in range(6):
        _save(ward, a, RECORD, {"target": f"target/{canary}"})
    _save(ward, a, "patient/p-1", {"phone": "1"}, stream="booking")
    _exchange(ward, (a, c))
    from_care = _ask_for_care(ward, c)
    assert all(one.refusal for one in from_care)
    assert canary not in "".join(wire)
    assert {one.stream for one in c.memory.operations.values()} == {"booking"}

    # Widened: it reads the stream from its start; narrowed again: not one entry more.
    ward.unit.join(c.device, "bedside", c.key.key_text, c.memory.epoch)
    c.role, c.streams = "bedside", a.streams
    _exchange(ward, (c,))
    assert len(c.memory.of_record(RECORD)) == 6
    ward.unit.join(c.device, "booking", c.key.key_text, c.memory.epoch)
    wire.clear()
    _save(ward, a, RECORD, {"target": f"target/{canary}"})
    ward.run_round(a)
    assert all(one.refusal for one in _ask_for_care(ward, c))
    c.role, c.streams = "booking", ("booking", "unit")
    _exchange(ward, (c,))
    assert canary not in "".join(wire)
    assert len(c.memory.of_record(RECORD)) == 6


def _ask_for_care(ward, tablet):
    """Ask for the stream `care`, for one record of it and for its segments, role or no role."""
    (digest,) = {
        one.digest
        for one in ward.unit.answer(
            Request("segments", ward.tablets[0].device, stream="care")
        ).content.segments[:1]
    }
    return [
        ward.unit.answer(one)
        for one in (
            Request("pull", tablet.device, stream="care", limit=100),
            Request("pull", tablet.device, stream="care", limit=100, record=RECORD, own=True),
            Request("segments", tablet.device, stream="care"),
            Request("segment", tablet.device, digest=digest),
        )
    ]
