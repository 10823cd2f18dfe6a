"""Each entry names the person who answers for it and the one who tapped (HAZ-25).

The seed stories are what a unit's record looks like after weeks; the case that is tapped through
the built app is looked at in the same way by tests/browser/test_looks.py.
"""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.storage.unit_store import open_unit_store
from api.use_cases.load_scenario import load_scenario
from sync.errors import MalformedOperationError
from sync.operation import Body, Operation, make_operation, read_body

ROOT = Path(__file__).resolve().parents[2]
STORIES = sorted((ROOT / "seed_scenarios").glob("[0-9]*.json"))
PERSON = re.compile(r"staff/[a-z0-9-]+")


def all_operations(store) -> Iterator[Operation]:
    """Yield every operation that a unit holds, log by log."""
    for device, epoch in store.operations.logs():
        yield from store.operations.of_log(device, epoch)


def unnamed(operations) -> list[str]:
    """Return the ids of entries that lack a person, and of those with no body to look into."""
    lacking = []
    for one in operations:
        body = read_body(one.body_text) if one.body_text is not None else None
        if body is None or not (PERSON.fullmatch(body.by) and PERSON.fullmatch(body.tapped_by)):
            lacking.append(one.op_id)
    return lacking


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    opened = open_unit_store(tmp_path_factory.mktemp("acts") / "unit", new_generation="g-1")
    for path in STORIES:
        load_scenario(opened, path.stem, path.read_bytes(), today_on="2026-11-25")
    yield opened
    opened.close()


def test_every_entry_of_every_story_names_who_answers_and_who_taps(store):
    """[HAZ-25] Over 500 entries of several people on several devices.

    Planted bug that this caught: the one who taps left out where he answers himself.
    """
    with store.transaction():
        operations = list(all_operations(store))

    assert len(operations) > 500
    assert unnamed(operations) == []
    people = {(b.by, b.tapped_by) for one in operations if (b := read_body(one.body_text or ""))}
    assert any(by != tapped_by for by, tapped_by in people), "nobody taps for another one"


def test_those_named_are_staff_of_the_unit(store):
    """[HAZ-25] A name that leads nowhere would tell no one."""
    with store.transaction():
        staff = {state.record for state in store.views.of_kind("staff")}
        named = {
            person
            for one in all_operations(store)
            for person in (read_body(one.body_text or "").by,)
        }

    assert named <= staff


@pytest.mark.parametrize("key", ["by", "tapped_by"])
def test_a_body_without_a_person_is_no_entry(key):
    """[HAZ-25] [OP4] What lacks either name is refused by the reader itself."""
    body = Body(
        salt="0" * 32,
        by="staff/s-1",
        tapped_by="staff/s-2",
        catalogue=1,
        set={"stop_um": 30_000},
    )
    written = make_operation(
        device="tablet-a",
        epoch="ep01",
        counter=1,
        previous="",
        stream="care",
        record="puncture/p-1",
        stamp="001790000000000.00000.tablet-a",
        body=body,
    )
    parts = json.loads(written.body_text or "")
    assert read_body(json.dumps(parts)) == body
    parts.pop(key)

    with pytest.raises(MalformedOperationError):
        read_body(json.dumps(parts))
