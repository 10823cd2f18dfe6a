"""What a device may write is judged by the table: stream, kind and field; each refused alone."""

import pytest

from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.use_cases.receive_push import receive_push
from api.use_cases.receive_resupply import PUT_BACK, receive_resupply
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, Writer, texts

TABLET = Device("tablet-a", "a", "bedside", None)
DESK = Device("desk-b", "b", "booking", None)


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def push(store, device, *operations):
    return receive_push(store, device, texts(*operations), now_ms=NOON_MS)


def held(store, stream):
    with store.transaction():
        receipts = store.operations.of_stream(stream, after=0, limit=100)
    return {one.operation.op_id: one.operation.body_text for one in receipts}


@pytest.mark.parametrize(
    ("device", "record", "stream", "fields", "part"),
    [
        (DESK, "case/c-1", "care", {"varix_class": "GOV1"}, "in stream care, which a booking"),
        (DESK, "lab_result/l-1", "booking", {"analyte": "inr"}, "it belongs in care"),
        (DESK, "kind_of_next_year/k", "care", {"x": 1}, "in stream care, which a booking"),
        (
            DESK,
            "failsafe_review/f-1",
            "booking",
            {"signed_by": "staff/s"},
            "writes failsafe_review",
        ),
        (DESK, "staff/s-1", "unit", {"role": "endoscopist"}, "writes staff"),
        (DESK, "lot_search/l-1", "unit", {"because": "x"}, "writes lot_search"),
        (TABLET, "staff/s-1", "unit", {"role": "assistant"}, "writes staff"),
        (TABLET, "staff/s-1", "unit", {"role": "unit-admin"}, "roles of the desk"),
        (TABLET, "site/s-1", "unit", {"name": "Tarn Hollow"}, "writes site"),
        (TABLET, "erasure/e-1", "unit", {"of": ["case/c-1"]}, "speaks for the unit server"),
        (TABLET, "failsafe_review/f-1", "booking", {"listed": 0}, "writes failsafe_review"),
        (TABLET, "past_import/p-1", "unit", {"rows": 2}, "writes past_import"),
        (TABLET, "recall_notice/r-1", "unit", {"state": "open"}, "writes recall_notice"),
    ],
)
def test_what_a_role_does_not_write_is_set_aside_alone(store, device, record, stream, fields, part):
    """[SEC-21] [SEC-22] [FU-11] The queue behind it flows, and nothing of it reaches a view.

    Planted and caught: the kind was judged by its stream alone.
    """
    writer = Writer(device.id)
    refused = writer.write(record, stream, set=fields)
    after = writer.write("patient/p-1", "booking", set={"phone": "0123"})

    answer = push(store, device, refused, after)

    assert [one.op_id for one in answer.quarantined] == [refused.op_id]
    assert part in answer.quarantined[0].sentence
    assert answer.tip.counter == after.counter
    assert held(store, stream).get(refused.op_id) is None
    assert held(store, "booking")[after.op_id] == after.body_text
    with store.transaction():
        assert store.views.state_of(record) is None


@pytest.mark.parametrize(
    ("device", "record", "stream", "fields"),
    [
        (TABLET, "case/c-1", "care", {"varix_class": "GOV1"}),
        (TABLET, "lot_search/l-1", "unit", {"because": "x"}),
        (TABLET, "kind_of_next_year/k", "care", {"x": 1}),
        (TABLET, "case/c-1", "care", {"field_of_next_year": "y"}),
        (DESK, "patient/p-1", "booking", {"phone": "0123", "field_of_next_year": "y"}),
        (DESK, "kind_of_next_year/k", "booking", {"x": 1}),
        (DESK, "kind_of_next_year/k", "unit", {"x": 1}),
        (DESK, "visit/v-1", "booking", {"needs": ["escort"]}),
        (DESK, "stock_movement/m-1", "unit", {"change": -1}),
    ],
)
def test_what_a_role_writes_is_taken_in_and_newer_kinds_and_fields_stay_verbatim(
    store, device, record, stream, fields
):
    """[HAZ-38] [SEC-21]"""
    written = Writer(device.id).write(record, stream, set=fields)

    assert push(store, device, written).quarantined == ()
    assert held(store, stream) == {written.op_id: written.body_text}


def test_a_field_named_by_over_is_judged_like_one_that_is_set(store, monkeypatch):
    """[SEC-21] A booking row that grants some fields of a kind; `over` answers a conflict.

    Planted and caught: the fields of `over` were not looked at.
    """
    from api.access import access_table

    grant = access_table.Grant.fields_of
    monkeypatch.setattr(
        access_table.Grant,
        "fields_of",
        lambda self, kind: ("phone",) if kind == "patient" else grant(self, kind),
    )
    writer = Writer(DESK.id)
    reference = ("tablet-a.ep01.1#0123456789abcdef",)
    named = writer.write(
        "patient/p-1", "booking", set={"phone": "0123"}, over={"born_on": reference}
    )
    fine = writer.write("patient/p-1", "booking", set={"phone": "0123"})

    answer = push(store, DESK, named, fine)

    assert [one.op_id for one in answer.quarantined] == [named.op_id]
    assert "writes born_on of patient, which a booking device does not write" in (
        answer.quarantined[0].sentence
    )


@pytest.mark.parametrize("origin", ["unit-server", "tablet-nobody-knows"])
@pytest.mark.parametrize(
    ("record", "fields"),
    [("staff/s-1", {"role": "auditor"}), ("erasure/e-1", {"of": ["case/c-1"]})],
)
def test_a_resupply_gives_nobody_a_role_of_the_desk_and_erases_nothing(
    store, origin, record, fields
):
    """[RL12] [EX10] A tablet hands in what it says the server wrote."""
    with store.transaction():
        store.keep_fact(PUT_BACK, str(NOON_MS))
    forged = Writer(origin).write(record, "unit", set=fields)
    counted = Writer("tablet-c").write("stock_movement/m-1", "unit", set={"change": -1})

    answer = receive_resupply(store, TABLET, [], texts(forged, counted), now_ms=NOON_MS)

    assert [one.op_id for one in answer.quarantined] == [forged.op_id]
    assert "speaks for the unit server" in answer.quarantined[0].sentence
    assert set(held(store, "unit")) == {counted.op_id}


_NOTICE = {"state": "in-force", "reason": "r"}
_OVER = {"state": ("unit-server.ep01.1#0123456789abcdef",)}


@pytest.mark.parametrize(
    ("supplier", "origin", "record", "stream", "written", "is_taken"),
    [
        (DESK, "ghost", "staff/s-1", "unit", {"set": {"name": "M", "role": "endoscopist"}}, False),
        (DESK, "ghost", "staff/s-1", "unit", {"set": {"active": False}}, False),
        (DESK, "ghost", "site/s-1", "unit", {"set": {"name": "Mine"}}, False),
        (DESK, "ghost", "recall_notice/r-1", "unit", {"set": {"state": "withdrawn"}}, False),
        (DESK, "ghost", "failsafe_review/f-1", "booking", {"set": {"listed": 0}}, False),
        (DESK, "ghost", "lot_search/l-1", "unit", {"set": {"because": "x"}}, False),
        (DESK, "ghost", "patient/p-1", "booking", {"set": {"phone": "0123"}}, True),
        (TABLET, "ghost", "staff/s-1", "unit", {"set": {"active": False}}, False),
        (TABLET, "ghost", "lot_search/l-1", "unit", {"set": {"because": "x"}}, True),
        (TABLET, "ghost", "case/c-1", "care", {"set": {"varix_class": "GOV1"}}, True),
        (TABLET, "ghost", "kind_of_next_year/k", "care", {"set": {"x": 1}}, True),
        (DESK, "unit-server", "staff/s-1", "unit", {"set": {"name": "M"}}, False),
        (DESK, "unit-server", "site/s-1", "unit", {"set": {"name": "Mine"}}, False),
        (DESK, "unit-server", "failsafe_review/f-1", "booking", {"set": {"listed": 0}}, False),
        (DESK, "unit-server", "kind_of_next_year/k", "unit", {"set": {"x": 1}}, False),
        (DESK, "unit-server", "lot_search/l-1", "unit", {"set": {"because": "x"}}, True),
        (DESK, "unit-server", "recall_notice/r-1", "unit", {"set": _NOTICE}, True),
        (
            DESK,
            "unit-server",
            "recall_notice/r-1",
            "unit",
            {"set": {"state": "withdrawn"}, "over": _OVER},
            False,
        ),
        (DESK, "unit-server", "visit/v-1", "booking", {"set": {"status": "to-book"}}, True),
        (
            DESK,
            "unit-server",
            "visit/v-1",
            "booking",
            {"set": {"status": "ended"}, "over": _OVER},
            False,
        ),
        (TABLET, "unit-server", "case/c-1", "care", {"set": {"stage": "closed"}}, True),
        (TABLET, "unit-server", "sign_off/s-1", "care", {"set": {"at": "x"}}, False),
    ],
)
def test_what_is_brought_of_an_unknown_device_or_of_the_server_gives_nobody_a_say(
    store, supplier, origin, record, stream, written, is_taken
):
    """[EX10] [SEC-21] By another name nobody writes more than by his own.

    It was red before: of an unknown name everything was taken in.
    """
    with store.transaction():
        store.keep_fact(PUT_BACK, str(NOON_MS))
    brought = Writer(origin).write(record, stream, **written)

    answer = receive_resupply(store, supplier, [], texts(brought), now_ms=NOON_MS)

    assert [one.op_id for one in answer.quarantined] == ([] if is_taken else [brought.op_id])
    assert (held(store, stream).get(brought.op_id) is not None) is is_taken
    with store.transaction():
        assert (store.views.state_of(record) is not None) is is_taken


def test_a_place_that_one_device_may_not_fill_stays_free_for_another(store):
    """[EX10] [EX11] What lies behind it waits in sight; nothing of an honest log is lost.

    It was red before. Planted and caught: the place was taken by what was set aside.
    """
    with store.transaction():
        store.keep_fact(PUT_BACK, str(NOON_MS))
    ghost = Writer("ghost")
    search = ghost.write("lot_search/l-1", "unit", set={"because": "x"})
    behind = ghost.write("patient/p-1", "booking", set={"phone": "0123"})

    first = receive_resupply(store, DESK, [], texts(search, behind), now_ms=NOON_MS)
    then = receive_resupply(store, TABLET, [], texts(search), now_ms=NOON_MS)
    again = receive_resupply(store, DESK, [], texts(search), now_ms=NOON_MS)

    assert [one.op_id for one in first.quarantined] == [search.op_id]
    assert (first.waiting, then.waiting) == (1, 0)
    assert then.quarantined == again.quarantined == ()
    assert search.op_id in held(store, "unit")
    assert behind.op_id in held(store, "booking")


def test_what_waited_is_judged_by_the_device_that_brought_it(tmp_path):
    """[EX10] [EX11] A gap is no way round the table.

    It was red before. Planted and caught: what waited was judged by nobody.
    """
    unit = StandingUnit(tmp_path / "unit")
    with unit.serving():
        unit.join("desk-b", "booking")
        with unit.store.transaction():
            unit.store.keep_fact(PUT_BACK, str(NOON_MS))
        ghost = Writer("ghost")
        first = ghost.write("patient/p-1", "booking", set={"phone": "0123"})
        staff = ghost.write("staff/s-1", "unit", set={"name": "M", "role": "endoscopist"})
        moved = ghost.write("patient/p-1", "booking", set={"phone": "0124"})
        waiting = receive_resupply(unit.store, DESK, [], texts(staff, moved), now_ms=NOON_MS)

        answer = receive_resupply(unit.store, DESK, [], texts(first), now_ms=NOON_MS)

        assert [one.op_id for one in waiting.quarantined] == [staff.op_id]
        assert answer.waiting == 1
        assert held(unit.store, "unit") == {}

        server = Writer("unit-server")
        begins = server.write("recall_notice/r-1", "unit", set=_NOTICE)
        site = server.write("site/s-1", "unit", set={"name": "Mine"})
        receive_resupply(unit.store, DESK, [], texts(site), now_ms=NOON_MS)
        answer = receive_resupply(unit.store, DESK, [], texts(begins), now_ms=NOON_MS)

        assert [one.op_id for one in answer.quarantined] == [site.op_id]
        assert set(held(unit.store, "unit")) == {begins.op_id}


def test_a_device_that_was_revoked_is_judged_by_the_role_it_had(store):
    """[EX12] [SEC-21]"""
    revoked = Device(DESK.id, "b", "booking", 1)
    written = Writer(DESK.id).write("case/c-1", "care", set={"varix_class": "GOV1"})

    answer = push(store, revoked, written)

    assert "which a booking device does not write" in answer.quarantined[0].sentence
