"""A push is judged as a whole as each of its operations would be judged alone (RG14)."""

import pytest

from api.storage import handles, registry_entries
from api.storage.device_store import Device
from api.storage.unit_store import open_unit_store
from api.use_cases.judge_received import why_not_by_itself, why_not_here
from api.use_cases.name_answers import ABOUT_FIELDS, name_answer
from api.use_cases.receive_push import receive_push
from api.use_cases.server_role import settle_role
from sync.merge import shown_value
from sync.operation import decode_body
from tests.properties.random_pushes import RandomPushes
from tests.unit.api.standing_unit import NOON_MS, Writer, texts

PUSHES = 60
_OF_UNITS = ("registry_patient/", "registry_case/", "registry_implant/", "registry_look/")


def _is_of_other(store, record, device):
    """Ask of one record alone, by a statement of this test's own."""
    row = store._database.connection.execute(
        "SELECT 1 FROM log_entry JOIN log ON log.id = log_entry.log"
        " WHERE log_entry.record = (SELECT id FROM record WHERE name = ?)"
        " AND log_entry.is_quarantined = 0 AND log.device <> ? LIMIT 1",
        (record, device),
    ).fetchone()
    return row is not None


def _judge_alone(store, operation):
    """Return what speaks against one operation: "answer", or the record of another unit."""
    said = decode_body(operation.body_text).set
    field = ABOUT_FIELDS.get(operation.kind)
    if field is not None:
        about = said.get(field)
        held = store.views.state_of(operation.record)
        if field not in said and held is not None:
            about = shown_value(held.fields.get(field))
        if not isinstance(about, str) or operation.record != name_answer(
            operation.kind, operation.device, about
        ):
            return "answer"
    named = [one for one in said.values() if isinstance(one, str) and one.startswith(_OF_UNITS)]
    for record in (operation.record, *named):
        if _is_of_other(store, record, operation.device):
            return record
    return None


def _last_of(store, device):
    with store.reading():
        row = store._database.connection.execute(
            "SELECT max(seq) FROM log_entry JOIN log ON log.id = log_entry.log WHERE device = ?",
            (device,),
        ).fetchone()
    return row[0]


def play_pushes(store, seed, pushes=PUSHES):
    """Judge and take in random pushes; return how many operations were refused, for what."""
    settle_role(store, as_hub=True)
    drawn = RandomPushes(seed)
    counted = {"none": 0, "answer": 0, "record": 0, "by itself": 0}
    for _ in range(pushes):
        unit, batch = drawn.next()
        origin = Device(unit, unit, "unit", None)
        by_itself = [why_not_by_itself(store.catalogue, one, origin) for one in batch]
        with store.transaction():
            alone = [_judge_alone(store, one) for one in batch]
            together = why_not_here(store, batch, origin)
        for one, expected, found in zip(batch, alone, together, strict=True):
            what = "answers the hub" if expected == "answer" else f" is about {expected}, "
            assert found is None if expected is None else one.op_id in found and what in found

        answer = receive_push(store, origin, texts(*batch), now_ms=NOON_MS)

        assert _last_of(store, unit) == store.registry.head_of_unit("hub", unit)
        told = {one.op_id: one.sentence for one in answer.quarantined}
        for one, first, then in zip(batch, by_itself, together, strict=True):
            assert told.get(one.op_id) == (first or then)
        for first, expected in zip(by_itself, alone, strict=True):
            kind = "none" if expected is None else "answer" if expected == "answer" else "record"
            counted["by itself" if first else kind] += 1
    return counted


@pytest.mark.parametrize("seed", range(4))
def test_a_push_is_judged_as_each_of_its_operations_alone(tmp_path, monkeypatch, seed):
    """[RG14] 60 pushes each of three units on few records; questions of 3 records at most.

    Planted and caught, each: entries set aside counted as told; what an operation names was not
    asked; the last question for less than three records was left out; of a push of which some
    operations were refused by themselves the reasons went to the ones before; an answer without
    its field was not held against what is here.
    """
    monkeypatch.setattr(registry_entries, "NAMES_AT_ONCE", 3)
    monkeypatch.setattr(handles, "NAMES_AT_ONCE", 3)
    store = open_unit_store(tmp_path / "hub", new_generation="generation-1")

    counted = play_pushes(store, seed)

    assert min(counted.values()) >= 5, counted
    store.close()


def test_the_first_unit_on_a_new_record_has_it_and_a_push_may_write_there_twice(tmp_path):
    """[RG14] Judged as the store was before the push: its own words do not stand in its way.

    Planted and caught: a unit's own words counted as another's.
    """
    store = open_unit_store(tmp_path / "hub", new_generation="generation-1")
    settle_role(store, as_hub=True)
    first, second = Writer("unit-a"), Writer("unit-b")

    def push(writer, *operations):
        origin = Device(writer.device, writer.device, "unit", None)
        found = receive_push(store, origin, texts(*operations), now_ms=NOON_MS)
        return [one.op_id for one in found.quarantined]

    def told(writer):
        return writer.write("registry_patient/p-1", "registry", set={"sex": "female"})

    assert push(first, told(first), told(first), told(first)) == []
    late = [told(second), told(second)]
    assert push(second, *late) == [one.op_id for one in late]
    assert push(first, told(first)) == []
    store.close()
