"""What waits for a person: conflicts as data, possible double entries, alarms; and implants."""

from pathlib import Path

import pytest

from api.record_catalogue.double_entries import find_double_entries
from api.use_cases.load_scenario import load_scenario
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.verify_log import verify_log
from sync.clock import Stamp
from sync.operation import Body, make_operation
from tests.unit.api.standing_unit import NOON_MS, Writer, forged, texts

STORIES = Path(__file__).resolve().parents[3] / "seed_scenarios"
COIL = {"case": "case/c-1", "target": "target/t-1", "slot": 1}


def _ask(unit, headers):
    answer = unit.client.get("/api/decisions", headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def _strike(writer, record, *references):
    """Write the retraction of operations; `Writer` itself sets fields only."""
    number = len(writer.log) + 1
    operation = make_operation(
        device=writer.device,
        epoch=writer.epoch,
        counter=number,
        previous=writer.log[-1].hash,
        stream="care",
        record=record,
        stamp=str(Stamp(NOON_MS + number, 0, writer.device)),
        body=Body(
            salt=f"{number:032x}",
            by="staff/s-1",
            tapped_by="staff/s-1",
            catalogue=3,
            retract=references,
            because="written twice",
        ),
    )
    writer.log.append(operation)
    return operation


def test_a_conflict_tells_who_wrote_what_where_when_and_what_it_holds_back(unit):
    """[CF1] [CF2] [CF3]."""
    headers = {name: unit.join(name) for name in ("tablet-a", "tablet-b")}
    writers = {name: Writer(name) for name in headers}
    for name, size in (("tablet-a", 14_000), ("tablet-b", 19_000)):
        written = writers[name].write("target/t-1", set={"size": {"short_axis_um": size}})
        unit.push(headers[name], name, texts(written))
    unit.environment.moved["ms"] = 5_000

    [conflict] = _ask(unit, headers["tablet-a"])["conflicts"]

    assert conflict["holds_back"] == ["plan", "letter"]
    # Both tablets wrote their first operation: a millisecond after noon by `Writer`.
    assert (conflict["open_since_ms"], conflict["age_ms"]) == (NOON_MS + 1, 4_999)
    assert [
        (one["value"]["short_axis_um"], one["by"], one["device"], one["written_ms"])
        for one in conflict["answers"]
    ] == [
        (14_000, "staff/s-1", "tablet-a", NOON_MS + 1),
        (19_000, "staff/s-1", "tablet-b", NOON_MS + 1),
    ]

    heads = tuple(ref for one in conflict["answers"] for ref in one["references"])
    settled = writers["tablet-a"].write(
        "target/t-1", set={"size": {"short_axis_um": 14_000}}, over={"size": heads}
    )
    unit.push(headers["tablet-a"], "tablet-a", texts(settled))

    assert _ask(unit, headers["tablet-a"])["conflicts"] == []


def test_a_clock_ahead_makes_no_age_below_zero(unit):
    """[CF3]."""
    for name in ("tablet-a", "tablet-b"):
        written = Writer(name).write("target/t-1", set={"label": name})
        unit.push(unit.join(name), name, texts(written))
    unit.environment.moved["ms"] = -86_400_000

    [conflict] = _ask(unit, unit.join("tablet-c"))["conflicts"]

    assert conflict["age_ms"] == 0


def test_a_possible_double_entry_is_proposed_until_a_person_decides(unit):
    """[DE2] [DE4] [DE5] [DE7]. The planted bug it has caught: struck records left out of the
    records about which somebody decided, so that two that were both struck went unseen."""
    headers = {name: unit.join(name) for name in ("tablet-a", "tablet-b")}
    desk = unit.join("desk-c", "booking")
    writers = {name: Writer(name) for name in headers}
    coils = {}
    for name in headers:
        coils[name] = writers[name].write(f"coil_placed/{name}", set=COIL)
        unit.push(headers[name], name, texts(coils[name]))

    [double] = _ask(unit, headers["tablet-b"])["double_entries"]
    assert double["records"] == ["coil_placed/tablet-a", "coil_placed/tablet-b"]
    assert double["why"] == "same-slot"
    assert [(one["device"], one["of_case"], one["by"]) for one in double["writings"]] == [
        ("tablet-a", "case/c-1", "staff/s-1"),
        ("tablet-b", "case/c-1", "staff/s-1"),
    ]
    # Nothing is merged or hidden on the way (HAZ-30), and a desk hears of no coil.
    assert len(unit.store.views.of_kind("coil_placed")) == 2
    assert _ask(unit, desk)["double_entries"] == []

    about = {"case": "case/c-1", "about": double["records"], "because": "counted the packages"}
    same = {name: {**about, "verdict": "same"} for name in headers}
    for name, other in (("tablet-a", "tablet-b"), ("tablet-b", "tablet-a")):
        decided = writers[name].write("decision/d-1", set=same[name])
        struck = _strike(writers[name], f"coil_placed/{other}", coils[other].reference)
        unit.push(headers[name], name, texts(decided, struck))

    [lost] = _ask(unit, headers["tablet-a"])["double_entries"]
    assert (lost["why"], [one["is_entered_in_error"] for one in lost["writings"]]) == (
        "both-struck",
        [True, True],
    )


def test_two_of_them_is_not_proposed_again(unit):
    """[DE5]."""
    headers = unit.join("tablet-a")
    writer = Writer("tablet-a")
    records = ["coil_placed/k-1", "coil_placed/k-2"]
    pair = [writer.write(record, set=COIL) for record in records]
    unit.push(headers, "tablet-a", texts(*pair))
    assert len(_ask(unit, headers)["double_entries"]) == 1

    said = {"case": "case/c-1", "about": records, "verdict": "different", "because": "two packages"}
    unit.push(headers, "tablet-a", texts(writer.write("decision/d-1", set=said)))

    assert _ask(unit, headers)["double_entries"] == []


def test_the_aliquot_of_an_injection_is_that_of_the_step_passed(unit):
    """[DE3]."""
    headers = unit.join("tablet-a")
    writer = Writer("tablet-a")
    injected = {"case": "case/c-1", "target": "target/t-1", "amount": {"mix_ul": 1_000}}
    for act, aliquot in (("x1", 1), ("x2", 1), ("x3", 2)):
        step = writer.write(
            f"step_event/{act}",
            set={"case": "case/c-1", "round": {"puncture": 1, "aliquot": aliquot}},
        )
        given = writer.write(f"adhesive_injected/{act}", set=injected)
        unit.push(headers, "tablet-a", texts(step, given))

    doubles = _ask(unit, headers)["double_entries"]

    assert [(one["records"], one["why"]) for one in doubles] == [
        (["adhesive_injected/x1", "adhesive_injected/x2"], "same-aliquot")
    ]


def test_what_could_not_be_taken_in_is_an_alarm_in_its_stream_alone(unit):
    """[LG4] [EX6]."""
    headers = unit.join("tablet-a")
    desk = unit.join("desk-c", "booking")
    writer = Writer("tablet-a")
    first = writer.write()
    unit.push(headers, "tablet-a", texts(first))
    other = Writer("tablet-a").write(set={"stop_um": 31_000})
    unit.push(headers, "tablet-a", texts(other))
    unit.push(headers, "tablet-a", [forged(writer.write("puncture/p-2"))])

    alarms = _ask(unit, headers)["alarms"]

    assert [(one["kind"], one["op_id"], one["record"]) for one in alarms] == [
        ("fork", "tablet-a.ep01.1", "puncture/p-1"),
        ("set-aside", "tablet-a.ep01.2", "puncture/p-2"),
    ]
    assert all(one["sentence"].endswith(".") for one in alarms)
    assert _ask(unit, desk)["alarms"] == []


def test_a_recall_finds_both_lots_that_two_people_wrote_for_one_coil(unit):
    """[HAZ-30]. The planted bug it has caught: the row of the last label alone."""
    for name, lot in (("tablet-a", "L-1"), ("tablet-b", "L-2")):
        written = Writer(name).write("coil_placed/k-1", set={**COIL, "device": {"lot": lot}})
        unit.push(unit.join(name), name, texts(written))

    with unit.store.transaction():
        rows = unit.store._database.connection.execute(
            "SELECT lot, target, slot, of_case FROM implant ORDER BY lot"
        ).fetchall()

    assert rows == [("L-1", "target/t-1", 1, "case/c-1"), ("L-2", "target/t-1", 1, "case/c-1")]


def test_views_of_another_release_are_made_anew_when_the_store_is_opened(unit):
    """[CF4]. The planted bug it has caught: a store of the release before, opened with no row."""
    headers = unit.join("tablet-a")
    unit.push(headers, "tablet-a", texts(Writer("tablet-a").write("coil_placed/k-1", set=COIL)))
    connection = unit.store._database.connection
    with unit.store.transaction():
        unit.store.views.reads.clear()
        connection.execute("PRAGMA user_version = 0")

    with unit.store.transaction():
        unit.store.views.bring_up()

    assert connection.execute("SELECT record FROM implant").fetchall() == [("coil_placed/k-1",)]


def test_cases_as_they_are_really_played_propose_nothing(unit):
    """[DE1] [DE2] [DE3] A proposal at every case would soon be pressed away unread.

    The planted bug it has caught: labels compared by their lot, where no serial is known.
    """
    for path in sorted(STORIES.glob("[0-9]*.json")):
        load_scenario(unit.store, path.stem, path.read_bytes(), today_on="2026-11-25")
    with unit.store.transaction():
        coils = unit.store.views.of_kind("coil_placed")
        injections = unit.store.views.of_kind("adhesive_injected")
        rounds = {state.record: state for state in unit.store.views.of_kind("step_event")}
    assert len(coils) > 3
    assert len(injections) > 3

    # Every pair that the rule can see, not those alone that the server sifts out for it.
    assert find_double_entries([*coils, *injections], rounds, []) == ()
    assert _ask(unit, unit.join("tablet-z"))["double_entries"] == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE implant SET lot = 'L-9'",
        "DELETE FROM implant",
        "INSERT INTO case_list VALUES ('case/c-9', NULL, NULL, NULL, NULL, NULL, 0)",
        "UPDATE open_conflict SET answers = '[]'",
    ],
)
def test_an_altered_read_view_is_found_and_made_good(unit, statement):
    """[CF4]. The planted bug it has caught: `verify` that compared `record_view` alone."""
    for name, lot in (("tablet-a", "L-1"), ("tablet-b", "L-2")):
        writer = Writer(name)
        coil = writer.write("coil_placed/k-1", set={**COIL, "device": {"lot": lot}})
        size = writer.write("target/t-1", set={"label": name})
        unit.push(unit.join(name), name, texts(coil, size))
    assert verify_log(unit.store).findings == ()
    with unit.store.transaction():
        unit.store._database.connection.execute(statement)

    assert any("crura rebuild-views" in found for found in verify_log(unit.store).findings)
    rebuild_views(unit.store)
    assert verify_log(unit.store).findings == ()


@pytest.mark.parametrize("about", [5, "coil_placed/c-1", {"a": 1}])
def test_a_decision_about_no_list_takes_the_list_away_from_nobody(unit, a, about):
    """[DE5] Planted bug that this caught: whatever stands in `about` walked through."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(writer.write("decision/d-1", "care", set={"about": about})))

    assert _ask(unit, a)["double_entries"] == []
