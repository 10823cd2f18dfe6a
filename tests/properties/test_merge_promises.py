"""What merging promises to whoever reads: nothing hidden, nothing torn, nothing lost from sight."""

import tempfile
from contextlib import contextmanager
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store, read_packaged_catalogue
from api.use_cases.list_decisions import list_double_entries
from api.use_cases.receive_push import receive_push
from sync.clock import Stamp
from sync.merge import canonical_text, merge_record
from sync.merge_policies import MergePolicy
from sync.operation import Body, make_operation
from tests.unit.api.standing_unit import NOON_MS, Writer, texts

CATALOGUE = read_packaged_catalogue()
SLOW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
TABLETS = ("tablet-a", "tablet-b", "tablet-c")
# Fields whose answer only a person settles, and fields of several parts that belong together.
ASKED = sorted(
    (kind.id, field.id)
    for kind in CATALOGUE.kinds.values()
    for field in kind.fields
    if field.merge is MergePolicy.ASK_A_PERSON and kind.stream == "care"
)
GROUPS = sorted(
    (kind.id, field.id, tuple(str(part["id"]) for part in field.fields))
    for kind in CATALOGUE.kinds.values()
    for field in kind.fields
    if len(field.fields) > 1 and kind.stream == "care"
)
VALUES = st.sampled_from(["one", "two", 3, True, None, ["four"]])


@contextmanager
def _unit():
    with tempfile.TemporaryDirectory() as folder:
        store = open_unit_store(Path(folder), new_generation="generation-1")
        try:
            yield store
        finally:
            store.close()


def _push(store, *operations):
    for operation in operations:
        device = Device(operation.device, operation.device, "bedside", None)
        answer = receive_push(store, device, texts(operation), now_ms=1)
        assert answer.quarantined == ()


def _state(store, record):
    with store.transaction():
        return store.views.state_of(record)


@SLOW
@given(
    place=st.sampled_from(ASKED),
    mine=VALUES,
    theirs=VALUES,
    has_before=st.booleans(),
    order=st.permutations([0, 1, 0, 1]),
)
def test_concurrent_never_hidden_two_answers_are_both_in_every_read(
    place, mine, theirs, has_before, order
):
    """concurrent_never_hidden [MG3] [MG4] [CF1]: each field that a person settles, in any order.

    A screen of the unit reads its views, a tablet merges what it holds: both show both.

    Caught, each planted in turn and taken out again:

    - `merge.py`: the value with the later stamp alone was shown;
    - `view_rows.py`: the first conflict of a record was not kept.
    """
    kind, field = place
    record = f"{kind}/r-1"
    a, b, c = (Writer(name) for name in TABLETS)
    before = [c.write(record, set={field: "before"})] if has_before else []
    over = {field: tuple(one.reference for one in before)} if before else {}
    pair = (
        a.write(record, set={field: mine}, over=over),
        b.write(record, set={field: theirs}, over=over),
    )
    with _unit() as store:
        _push(store, *before, *(pair[number] for number in order))
        reads = [
            _state(store, record),
            merge_record(record, [*before, *pair], CATALOGUE.policies_of(kind)),
            merge_record(record, [*reversed(pair), *before], CATALOGUE.policies_of(kind)),
        ]
        with store.transaction():
            listed = {(one.record, one.field) for one in store.views.conflicts(("care",))}
    wanted = {canonical_text(mine), canonical_text(theirs)}
    for state in reads:
        shown = state.fields[field]
        assert {canonical_text(held.value) for held in shown.values} == wanted
        assert shown.is_conflict == (len(wanted) == 2)
        assert set(shown.references) == {one.reference for one in pair}
    assert ((record, field) in listed) == (len(wanted) == 2)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), group=st.sampled_from(GROUPS))
def test_field_group_atomic_what_is_shown_was_written_by_somebody(data, group):
    """field_group_atomic [MG2] [MG4]: amount and unit, device and lot, side and place go together.

    Caught, planted and taken out again: `merge.py` put two objects into one, part by part.
    """
    kind, field, parts = group
    record = f"{kind}/r-1"
    content = st.fixed_dictionaries(
        {}, optional={part: st.integers(0, 3) for part in parts}
    ).filter(bool)
    writers = [Writer(name) for name in TABLETS]
    written, wrote = [], set()
    for number in data.draw(st.lists(st.integers(0, 2), min_size=2, max_size=8)):
        value = data.draw(content)
        seen = data.draw(st.sets(st.sampled_from(written))) if written else set()
        over = {field: tuple(sorted(one.reference for one in seen))} if seen else {}
        written.append(writers[number].write(record, set={field: value}, over=over))
        wrote.add(canonical_text(value))

    state = merge_record(record, data.draw(st.permutations(written)), CATALOGUE.policies_of(kind))

    shown = {canonical_text(held.value) for held in state.fields[field].values}
    assert shown
    assert shown <= wrote


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["add", "add the same", "correct", "strike"]),
        st.integers(0, 2),
        st.integers(0, 5),
    ),
    min_size=1,
    max_size=14,
)


@SLOW
@given(acts=ACTS, data=st.data())
def test_physical_facts_only_grow_whatever_is_corrected_struck_or_scanned_twice(acts, data):
    """physical_facts_only_grow [MG5] [MG9] [DE1] [DE4] [DE6].

    Three tablets add, correct, strike and scan twice, without having read each other; their pushes
    come in any order of the tablets.

    Caught, each planted in turn and taken out again:

    - `record_view.py`: a struck record was left out of what is listed of its kind;
    - `double_entries.py`: the search ended at the first pair that looks alike.
    """
    writers = [Writer(name) for name in TABLETS]
    added, struck = [], set()
    for what, number, which in acts:
        writer = writers[number]
        own = [one for one in added if one[1].device == writer.device]
        if what.startswith("add"):
            serial = f"S-{which}" if what == "add" else "S-same"
            content = {"case": "case/c-1", "device": {"serial": serial, "lot": "L-1"}}
            record = f"coil_placed/k-{len(added)}"
            added.append((record, writer.write(record, set=content), serial))
        elif own:
            record, first, _ = own[which % len(own)]
            if record in struck:
                continue
            if what == "correct":
                writer.write(record, set={"slot": which}, over={"slot": (first.reference,)})
            else:
                struck.add(record)
                _strike(writer, record)
    with _unit() as store:
        logs = [list(writer.log) for writer in writers]
        listed: set[str] = set()
        while any(logs):
            log = data.draw(st.sampled_from([log for log in logs if log]))
            _push(store, log.pop(0))
            with store.transaction():
                now = {state.record for state in store.views.of_kind("coil_placed")}
            assert listed <= now
            listed = now
        with store.transaction():
            states = {one.record: one for one in store.views.of_kind("coil_placed")}
        doubles = list_double_entries(store, Device("tablet-a", "a", "bedside", None))
    assert set(states) == {record for record, _, _ in added}
    assert {record for record, state in states.items() if state.is_entered_in_error} == struck
    assert all(states[record].struck for record in struck)
    standing = {record: serial for record, _, serial in added if record not in struck}
    alike = {
        tuple(sorted((one, other)))
        for one in standing
        for other in standing
        if one < other and standing[one] == standing[other]
    }
    assert {pair.records for pair in doubles} == alike


def _strike(writer, record):
    """Take back everything that was written of a record."""
    end = writer.log[-1]
    writer.log.append(
        make_operation(
            device=writer.device,
            epoch=writer.epoch,
            counter=end.counter + 1,
            previous=end.hash,
            stream="care",
            record=record,
            stamp=str(Stamp(NOON_MS + end.counter + 1, 0, writer.device)),
            body=Body(
                salt=f"{end.counter + 1:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=1,
                retract=tuple(one.reference for one in writer.log if one.record == record),
            ),
        )
    )
