"""The read views kept up operation by operation are those that a rebuild makes of the log."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.storage.view_rows import TABLES
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.receive_push import receive_push
from api.use_cases.verify_log import verify_log
from sync.clock import Stamp
from sync.operation import Body, make_operation

DEVICES = ("tablet-a", "tablet-b", "tablet-c")
RECORDS = {
    "patient/p-1": ("booking", ("family_name", "born_on", "phone")),
    "case/c-1": ("care", ("patient", "stage", "procedure_on", "needle")),
    "case/c-2": ("care", ("patient", "stage", "procedure_on", "needle")),
    "visit/v-1": ("booking", ("patient", "case", "status", "window", "booking")),
    "coil_placed/k-1": ("care", ("case", "target", "slot", "device")),
    "coil_placed/k-2": ("care", ("case", "target", "slot", "device")),
    "adhesive_injected/i-1": ("care", ("case", "target", "device")),
    "target/t-1": ("care", ("case", "size")),
    "from_next_year/x-1": ("care", ("anything",)),
}
# Also what no field of these takes: a device of another version may have sent it.
VALUES = st.sampled_from(
    [
        None,
        "",
        "planned",
        "closed",
        "2026-03-16",
        "patient/p-1",
        7,
        True,
        ["a"],
        {"lot": "L-1", "serial": "S-1"},
        {"lot": "L-2", "lot_unknown": True, "serial": 3},
        {"earliest_on": "2026-04-01", "on": None, "session": "clinic_session/s-1"},
    ]
)
ACTS = st.fixed_dictionaries(
    {
        "device": st.integers(0, len(DEVICES) - 1),
        "record": st.sampled_from(sorted(RECORDS)),
        "set": st.lists(st.tuples(st.integers(0, 4), VALUES), min_size=1, max_size=3),
        "sees": st.booleans(),
        "retracts": st.sampled_from([False, False, False, True]),
        "ends_push": st.booleans(),
    }
)


def _push(store, device, operations, now_ms):
    if operations:
        texts = [(one.envelope_text, one.body_text or "") for one in operations]
        answer = receive_push(store, Device(device, device, "bedside", None), texts, now_ms=now_ms)
        # A visit takes no status that no act of its course leaves (CV14).
        visits = {one.op_id for one in operations if one.record.startswith("visit/")}
        assert {one.op_id for one in answer.quarantined} <= visits


def _play(store, acts):
    """Write the acts on their devices and push each device's operations in its own batches."""
    logs = {device: [] for device in DEVICES}
    waiting = {device: [] for device in DEVICES}
    written = {}
    for number, act in enumerate(acts, 1):
        device, record = DEVICES[act["device"]], act["record"]
        stream, fields = RECORDS[record]
        earlier = written.setdefault(record, [])
        log = logs[device]
        retract = (earlier[-1].reference,) if act["retracts"] and earlier else ()
        chosen = {fields[place % len(fields)]: value for place, value in act["set"]}
        seen = tuple(one.reference for one in earlier) if act["sees"] else ()
        operation = make_operation(
            device=device,
            epoch="ep01",
            counter=len(log) + 1,
            previous=log[-1].hash if log else "",
            stream=stream,
            record=record,
            stamp=str(Stamp(1_000 * number, 0, device)),
            body=Body(
                salt=f"{number:032x}",
                by=f"staff/{device}",
                tapped_by=f"staff/{device}",
                catalogue=1,
                set={} if retract else chosen,
                over=dict.fromkeys(chosen, seen) if seen and not retract else {},
                retract=retract,
            ),
        )
        log.append(operation)
        earlier.append(operation)
        waiting[device].append(operation)
        if act["ends_push"]:
            _push(store, device, waiting.pop(device), number)
            waiting[device] = []
    for device, operations in waiting.items():
        _push(store, device, operations, len(acts) + 1)


def _dump(store):
    with store.transaction():
        connection = store._database.connection
        return {
            table: connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()  # noqa: S608
            for table in ("record_view", *TABLES)
        }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(acts=st.lists(ACTS, min_size=1, max_size=40))
def test_views_kept_up_equal_views_rebuilt_after_any_history(acts):
    """[CF4]. Caught, each planted in turn and taken out again:

    - `read_views.py`: the rows of a record left in place when it was struck;
    - `read_views.py`: a settled conflict left in `open_conflict`;
    - `record_view.py`: the views renewed from the operations of the push alone.
    """
    with tempfile.TemporaryDirectory() as folder:
        store = open_unit_store(Path(folder), new_generation="generation-1")
        try:
            _play(store, acts)
            kept = _dump(store)
            assert verify_log(store).findings == ()
            rebuild_views(store)
            assert _dump(store) == kept
        finally:
            store.close()
