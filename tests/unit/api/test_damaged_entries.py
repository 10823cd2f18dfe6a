"""What was changed in the unit's file, or cannot be read, passes for nothing and stops nobody.

The planted bugs that these tests have caught, each taken out again: the commitment derived from
whatever the body now says, so that a changed body was handed out and sealed as sound; a piece that
cannot be unpacked answered with 503 for a whole stream; a walk of `crura verify` that ended at the
first damaged entry; an entry without a body handed out as one whose body is withheld; the hash of
one entry changed, and the sound one behind it refused too.
"""

import gzip
import json

import pytest

from api.storage import operation_store, snapshots
from api.storage.bundle import read_bundle
from api.storage.squeezed_bodies import squeeze_bodies, unpack_bodies
from api.use_cases.answer_snapshot import seal_segments
from api.use_cases.export_bundle import export_bundle
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.verify_log import verify_log
from sync.errors import ForgedOperationError
from sync.operation import read_operation
from tests.unit.api.standing_unit import NOON_MS, Writer, texts


@pytest.fixture
def writer(unit, a):
    """A tablet whose 96 entries lie in three pieces; three of them are on one record."""
    writer = Writer("tablet-a")
    for piece in range(3):
        some = [
            writer.write(f"puncture/p-{place}", set={"stop_um": 30_000 + piece})
            for place in range(32)
        ]
        assert unit.push(a, "tablet-a", texts(*some)).status_code == 200
    return writer


def _execute(unit, statement, *values):
    with unit.store.transaction():
        return unit.store._database.connection.execute(statement, values).fetchall()


def _piece(unit):
    """Return the number and the content of the second piece of the tablet."""
    return _execute(
        unit,
        "SELECT id, content FROM bodies WHERE id = (SELECT bodies FROM log_entry"
        " WHERE counter = 33 AND log = (SELECT id FROM log WHERE device = 'tablet-a'))",
    )[0]


def _alter_body(unit):
    """Change what the 35th entry says, the third of its piece."""
    number, content = _piece(unit)
    some = unpack_bodies(content)
    some[2] = some[2].replace("30001", "80001")
    assert some != unpack_bodies(content)
    _execute(unit, "UPDATE bodies SET content = ? WHERE id = ?", squeeze_bodies(some), number)


def _break_piece(unit):
    """Make the second piece one that cannot be unpacked: the entries from 33 to 64."""
    number, content = _piece(unit)
    _execute(unit, "UPDATE bodies SET content = ? WHERE id = ?", content[:-9], number)


def _pull_all(unit, headers, limit=20, **asked):
    after, found = 0, []
    while True:
        answer = unit.pull(headers, "care", after=after, limit=limit, **asked)
        assert answer.status_code == 200, answer.text
        page = answer.json()
        found.append(page)
        if not page["more"]:
            return found
        assert page["next"] > after
        after = page["next"]


def _op_ids(page):
    return [json.loads(envelope)["op_id"] for _, envelope, _ in page["operations"]]


def _entry(counter):
    return f"tablet-a.ep01.{counter}"


@pytest.mark.parametrize("asked", [{}, {"rows": "true"}], ids=["long form", "rows"])
def test_of_an_altered_body_a_tablet_refuses_that_entry_alone(unit, writer, b, asked):
    """[LG6] [OP5]."""
    _alter_body(unit)

    refused, taken = [], []
    for page in _pull_all(unit, b, **asked):
        if "rows" in page:
            taken += page["rows"]
            continue
        for _, envelope, body in page["operations"]:
            try:
                taken.append(read_operation(envelope, body))
            except ForgedOperationError as error:
                refused.append(str(error))
                assert "80001" in body

    assert len(taken) == 95
    assert [_entry(35) in sentence for sentence in refused] == [True]


def test_only_the_page_with_an_altered_body_comes_in_the_long_form(unit, writer, b):
    """[LG6] [EX18]."""
    _alter_body(unit)

    pages = _pull_all(unit, b, limit=32, rows="true")

    assert ["rows" in page for page in pages] == [True, False, True]


@pytest.mark.parametrize("asked", [{}, {"rows": "true"}], ids=["long form", "rows"])
def test_a_piece_that_cannot_be_unpacked_costs_its_own_entries_and_no_other(unit, writer, b, asked):
    """[LG6] [EX7]."""
    _break_piece(unit)

    pages = _pull_all(unit, b, **asked)

    assert sum(len(page.get("rows", page.get("operations"))) for page in pages) == 64
    long_form = [one for page in pages if "operations" in page for one in _op_ids(page)]
    assert not {_entry(counter) for counter in range(33, 65)} & set(long_form)
    # Nothing of one record is hidden but what is damaged.
    of_record = _pull_all(unit, b, record="puncture/p-5")
    assert [one for page in of_record for one in _op_ids(page)] == [_entry(6), _entry(70)]


def test_pushes_on_its_records_are_taken_in_and_the_views_do_without_it(unit, writer, a):
    """[LG6] [EX6]."""
    _break_piece(unit)

    answer = unit.push(a, "tablet-a", texts(writer.write("puncture/p-1", set={"stop_um": 5})))

    assert (answer.status_code, answer.json()["quarantined"]) == (200, [])
    rebuild_views(unit.store)
    with unit.store.transaction():
        state = unit.store.views.state_of("puncture/p-1")
        assert [one.value for one in state.fields["stop_um"].values] == [30_000, 30_002, 5]


def test_what_an_altered_body_says_is_shown_nowhere(unit, writer):
    """[LG6] [OP5]."""
    _alter_body(unit)

    rebuild_views(unit.store)
    with unit.store.transaction():
        state = unit.store.views.state_of("puncture/p-2")
        conflicts = {one.record: one for one in unit.store.views.conflicts(["care"])}
    assert [one.value for one in state.fields["stop_um"].values] == [30_000, 30_002]
    answers = {record: [one.value for one in kept.answers] for record, kept in conflicts.items()}
    assert answers["puncture/p-2"] == [30_000, 30_002]
    assert answers["puncture/p-3"] == [30_000, 30_001, 30_002]


@pytest.mark.parametrize(
    ("damage", "counters"),
    [
        (_alter_body, [35]),
        (_break_piece, list(range(33, 65))),
        (
            lambda unit: _execute(
                unit,
                "UPDATE log_entry SET hash = zeroblob(32) WHERE counter = 40"
                " AND log = (SELECT id FROM log WHERE device = 'tablet-a')",
            ),
            [40],
        ),
    ],
    ids=["altered body", "piece", "altered hash"],
)
def test_verify_names_each_damaged_entry_and_walks_on(unit, writer, damage, counters):
    """[LG6] [SG8]."""
    sound = verify_log(unit.store)
    assert sound.findings == ()
    damage(unit)

    verification = verify_log(unit.store)

    assert verification.operations == sound.operations
    assert len(verification.findings) == len(counters)
    for counter, finding in zip(counters, verification.findings, strict=True):
        assert f"{_entry(counter)}:" in finding or f"{_entry(counter)} " in finding
        assert "from a backup" in finding


@pytest.mark.parametrize("damage", [_alter_body, _break_piece])
def test_nothing_is_sealed_from_a_damaged_entry_on(unit, writer, b, damage, monkeypatch):
    """[LG6] [SN1] [SG10]."""
    monkeypatch.setattr(snapshots, "SEGMENT_OPERATIONS", 16)
    damage(unit)

    assert seal_segments(unit.store, "care") == 2

    with unit.store.transaction():
        segments = unit.store.snapshots.segments("care")
        rows = [
            json.loads(line)
            for one in segments
            for line in gzip.decompress(unit.store.snapshots.content(one.digest)[1]).splitlines()
        ]
    assert len(rows) == 32
    for _, envelope, body in rows:
        read_operation(envelope, body)
    # What is not sealed is pulled.
    tail = unit.pull(b, "care", after=segments[-1].last, limit=1_000).json()
    assert _op_ids(tail)[-1] == _entry(96)


@pytest.mark.parametrize(("damage", "left_out"), [(_alter_body, 1), (_break_piece, 32)])
def test_a_bundle_leaves_damaged_entries_out_and_says_so(unit, writer, damage, left_out, tmp_path):
    """[LG6] [BU1]."""
    whole = export_bundle(unit.store, tmp_path / "whole.crura", now_ms=NOON_MS)
    assert whole.remarks == ()
    damage(unit)

    exported = export_bundle(unit.store, tmp_path / "part.crura", now_ms=NOON_MS)

    assert exported.operations == whole.operations - left_out
    assert len(exported.left_out) == left_out
    (sentence,) = exported.remarks
    assert f"{left_out}, {exported.left_out[0]} first. Restore the store from a backup" in sentence
    bundle = read_bundle(tmp_path / "part.crura")
    for envelope, body in bundle.operations:
        read_operation(envelope, body)


def _health(unit):
    return unit.client.get("/api/health").json()["damaged"]


def _alarms(unit, headers):
    return unit.client.get("/api/decisions", headers=headers).json()["alarms"]


def test_health_and_decisions_count_what_is_damaged_and_say_what_to_do(unit, writer, b):
    """[LG6] [CF5]."""
    assert (_health(unit), _alarms(unit, b)) == (0, [])
    _break_piece(unit)

    assert _health(unit) == 32
    (alarm,) = _alarms(unit, b)
    assert (alarm["kind"], alarm["op_id"], alarm["record"]) == ("damaged", _entry(33), "")
    assert alarm["received_ms"] == NOON_MS
    assert alarm["sentence"] == (
        "32 entries of the unit server's store cannot be read as written, tablet-a.ep01.33 first. "
        "They count for nothing there: put back a backup, and the devices send the rest again."
    )
    # A desk, which reads no care, hears of it too: it says nothing of a patient.
    assert _alarms(unit, unit.join("desk-1", "booking")) == [alarm]


def test_more_damage_is_another_alarm_and_what_is_sound_again_is_none(unit, writer, b):
    """[LG6] [CF6]."""
    number, content = _piece(unit)
    _alter_body(unit)
    (first,) = _alarms(unit, b)
    assert first["sentence"].startswith("One entry of the unit server's store")
    _break_piece(unit)
    (second,) = _alarms(unit, b)
    assert second["name"] != first["name"]

    _execute(unit, "UPDATE bodies SET content = ? WHERE id = ?", content, number)

    assert (_health(unit), _alarms(unit, b)) == (0, [])


def test_damage_that_nobody_reads_comes_round(unit, writer, monkeypatch):
    """[LG6]. The planted bug it has caught: the same first entries looked through again."""
    monkeypatch.setattr(operation_store, "LOOKED_THROUGH_AT_ONCE", 10)
    _break_piece(unit)

    found = [_health(unit) for _ in range(12)]

    assert (found[0], found[-1]) == (0, 32)
