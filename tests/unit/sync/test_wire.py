"""Operations in rows: by the shared vectors, and by chance against the long form."""

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sync.clock import Stamp
from sync.errors import ChangedBatchError
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Body, Operation, make_operation, read_operation
from sync.wire import Row, digest_rows, read_rows, write_rows
from tests.unit.sync.vectors import cases


def _sent(content) -> list[Row]:
    """Return rows as they come from the wire."""
    return msgspec.json.decode(msgspec.json.encode(content), type=list[Row])


@pytest.mark.parametrize("case", cases("exchange/wire.json"))
def test_rows_build_what_the_vector_says(case):
    given_, expect = case["given"], case["expect"]
    rows = _sent(given_["rows"])
    if "refused" in expect:
        with pytest.raises(ChangedBatchError, match=expect["refused"]):
            read_rows(rows, given_["digest"], *given_["said"])
        return

    read = read_rows(rows, given_["digest"], *given_["said"])

    assert [[one.envelope_text, one.body_text] for one in read] == expect["operations"]
    assert read == [read_operation(*texts) for texts in expect["operations"]]
    if expect.get("is_shortest", True):
        assert msgspec.to_builtins(write_rows(read)) == given_["rows"]
    assert digest_rows(read, *given_["said"]) == given_["digest"]


@st.composite
def _operations(draw) -> list[Operation]:
    """Parts of some logs, mixed, with gaps, forks, clocks that jump, and withheld bodies."""
    operations: list[Operation] = []
    ends: dict[tuple[str, str], Operation] = {}
    for number in range(draw(st.integers(0, 12))):
        log = draw(st.sampled_from([("a", "ep01"), ("a", "ep02"), ("b-2", "ep01")]))
        end = ends.get(log)
        counter = (end.counter if end else 0) + draw(st.sampled_from([0, 1, 1, 1, 1, 2]))
        counter = max(counter, 1)
        follows = end is not None and end.counter == counter - 1 and draw(st.booleans())
        before = end.hash if end and follows else draw(st.sampled_from(["a", "b"])) * 64
        operation = make_operation(
            device=log[0],
            epoch=log[1],
            counter=counter,
            previous="" if counter == 1 else before,
            stream=draw(st.sampled_from(["care", "booking"])),
            record=draw(st.sampled_from(["case/c-1", "case/c-2"])),
            stamp=str(
                Stamp(
                    draw(st.sampled_from([5, 6, 7, 10**15 - 1])),
                    draw(st.sampled_from([0, 0, 1, 99_999])),
                    draw(st.sampled_from([log[0], log[0], "other"])),
                )
            ),
            body=Body(
                salt=f"{number:032x}",
                by="staff/s",
                tapped_by="staff/s",
                catalogue=1,
                set={"note": draw(st.sampled_from(["", "ç 漢 \u2028", '"\\']))},
            ),
        )
        ends[log] = operation
        if draw(st.integers(0, 5)) == 0:
            operation = msgspec.structs.replace(operation, body_text=None)
        operations.append(operation)
    return operations


@settings(max_examples=400, deadline=None)
@given(_operations())
def test_what_is_written_in_rows_is_read_again_byte_for_byte(operations):
    """[EX16].

    Planted and caught: an id left out by the counter alone, whichever log the row before is of;
    `previous` left out by the counter alone; a step of 0 for a counter that jumped.
    """
    rows = _sent(write_rows(operations))

    assert read_rows(rows, digest_rows(operations, "a"), "a") == operations


@settings(max_examples=400, deadline=None)
@given(_operations(), st.data())
def test_any_byte_changed_on_the_way_is_refused_or_changes_nothing(operations, data):
    """[EX17].

    Planted and caught: the digest covered the last operation alone.
    """
    digest = digest_rows(operations)
    content = bytearray(msgspec.json.encode(write_rows(operations)))
    content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))

    try:
        read = read_rows(msgspec.json.decode(bytes(content), type=list[Row]), digest)
    except (msgspec.MsgspecError, UnicodeDecodeError, ChangedBatchError):
        return
    assert read == operations


def test_a_batch_in_rows_is_half_as_long_or_less():
    """[EX16]: what follows is left out, on a log as a tablet writes it."""
    log: list[Operation] = []
    for number in range(MAX_BATCH_COUNT):
        log.append(
            make_operation(
                device="tablet-a",
                epoch="ep01",
                counter=number + 1,
                previous=log[-1].hash if log else "",
                stream="care",
                record=f"puncture/p-{number}",
                stamp=str(Stamp(10**12 + 1_000 * number, 0, "tablet-a")),
                body=Body(
                    salt=f"{number:032x}", by="s", tapped_by="s", catalogue=1, set={"stop_um": 1}
                ),
            )
        )
    long = sum(len(one.envelope_text) + len(one.body_text or "") for one in log)

    rows = msgspec.json.encode(write_rows(log))

    assert len(rows) * 2 < long
