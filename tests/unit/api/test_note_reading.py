"""What a device reads at the unit leaves a line in the trail, and a flood of reads few."""

import pytest

from api.storage.errors import StorageError
from api.use_cases import note_reading
from tests.unit.api.standing_unit import Writer, texts


def _lines(unit):
    with unit.store.transaction():
        return [
            (line.who, line.object, line.records, line.why)
            for line in unit.store.access.lines()
            if line.verb == "read"
        ]


def test_a_pull_of_one_case_is_noted_once_in_a_quarter_of_an_hour(unit, a, b):
    """[AU8]; at the bound, before and after. It was red before: nothing was noted."""
    for ms in (0, 899_999, 1):
        unit.environment.moved["ms"] += ms
        assert unit.pull(a, "care", record="case/c-1").status_code == 200
    unit.pull(b, "care", record="case/c-1")
    unit.pull(a, "care", record="case/c-2")

    one = ("tablet-a", "record", ("case/c-1",), "care")
    assert sorted(_lines(unit)) == sorted(
        [one, one, ("tablet-b", *one[1:]), ("tablet-a", "record", ("case/c-2",), "care")]
    )


def test_a_stream_is_noted_where_a_page_does_not_go_on_from_the_one_before(unit, a, b):
    """[AU8]; steady reading fills no trail.

    The planted bug it has caught: a stream that was read from its second entry on was not noted.
    """
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(*(writer.write(f"puncture/p-{one}") for one in range(4))))

    unit.pull(b, "care", after=1, limit=1)
    unit.environment.moved["ms"] += 900_000
    unit.pull(b, "care", after=2, limit=1)
    unit.pull(b, "care", after=3, limit=1)
    assert _lines(unit) == [("tablet-b", "stream", (), "care")]

    unit.pull(b, "care", after=1, limit=1)
    unit.pull(b, "care", after=0, limit=1)
    assert _lines(unit) == [("tablet-b", "stream", (), "care")] * 2


def test_snapshots_and_what_waits_to_be_decided_are_noted(unit, a):
    """[AU8]. It was red before."""
    for path in ("/api/decisions", "/api/decisions", "/api/conflicts"):
        assert unit.client.get(path, headers=a).status_code == 200
    asked = {"stream": "care"}
    assert unit.client.get("/api/exchange/snapshot", params=asked, headers=a).status_code == 200

    assert sorted(_lines(unit)) == [
        ("tablet-a", "decisions", (), ""),
        ("tablet-a", "decisions", (), "conflicts"),
        ("tablet-a", "snapshot", (), "care"),
    ]


def test_a_refused_pull_is_no_reading_and_where_nothing_can_be_noted_nothing_is_read(
    unit, a, monkeypatch
):
    """[AU8] [AU5] [EX7]."""
    desk = unit.join("desk-d", "booking")
    assert unit.pull(desk, "care", record="case/c-1").status_code == 403
    assert _lines(unit) == []

    def refuse(*_, **__):
        raise StorageError("The disk is full. Make room.")

    monkeypatch.setattr(note_reading, "note_read", refuse)
    for _ in range(2):
        answer = unit.pull(a, "care", record="case/c-1")
        assert answer.status_code >= 500
        assert "operations" not in answer.json()


def test_the_notes_of_what_was_noted_are_bounded(unit, a, monkeypatch):
    """[AU8]."""
    monkeypatch.setattr(note_reading, "MOST_KEPT", 3)
    for number in range(9):
        unit.pull(a, "care", record=f"case/c-{number}")

    assert len(_lines(unit)) == 9
    assert len(unit.client.app.state.surroundings.reads._noted) == 3


@pytest.mark.parametrize(
    "changed",
    [
        {"tip": {"epoch": "ep01", "counter": 2**63, "hash": ""}},
        {"tip": {"epoch": "ep01", "counter": -1, "hash": ""}},
        {"wall_ms": 2**63},
        {"wall_ms": -(2**53)},
        {"cursors": {"care": 2**53}},
        {"last_read": {"care": {"after": 2**63, "hash": "0" * 64}}},
    ],
)
def test_numbers_that_no_store_keeps_are_refused_in_a_handshake(unit, a, changed):
    """[OP6] It was red before: 500."""
    assert unit.handshake(a, "tablet-a", **changed).status_code == 422


@pytest.mark.parametrize(("after", "status"), [(2**53 - 1, 200), (2**53, 422), (2**63, 422)])
def test_a_cursor_is_a_number_that_the_store_keeps(unit, a, after, status):
    """[OP6] It was red before: 500."""
    assert unit.pull(a, "care", after=after).status_code == status
    offset = {"record": "picture/p", "offset": after}
    answer = unit.client.get(f"/api/pictures/{'0' * 64}", params=offset, headers=a)
    assert answer.status_code == (409 if status == 200 else 422)
