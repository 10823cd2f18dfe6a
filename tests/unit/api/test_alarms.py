"""Which alarms a person has seen to: by the shared vectors, and as the served unit tells it."""

import pytest

from api.record_catalogue.alarms import find_seen_to, name_fork, name_set_aside, seen_to_record
from tests.unit.api.merged_vector import CATALOGUE, merge_vector
from tests.unit.api.standing_unit import NOON_MS, Writer, forged, texts
from tests.unit.sync.vectors import cases


@pytest.mark.parametrize("case", cases("alarms/name_set_aside.json"))
def test_a_text_that_was_set_aside_has_one_name_everywhere(case):
    assert name_set_aside(**case["given"]) == case["expect"]


@pytest.mark.parametrize("case", cases("alarms/seen_to_record.json"))
def test_people_who_decide_apart_write_on_one_record(case):
    assert seen_to_record(case["given"]) == case["expect"]


@pytest.mark.parametrize("case", cases("alarms/find_seen_to.json"))
def test_who_has_seen_to_what(case):
    """The planted bug it has caught: of two verdicts the first believed."""
    states = merge_vector(case["given"])
    for order in (states, states[::-1]):
        found = find_seen_to(order)
        assert {
            name: {"by": one.by, "written_ms": one.written_ms, "because": list(one.because)}
            for name, one in found.items()
        } == case["expect"]


def test_the_catalogue_allows_the_verdict():
    """[CF5]."""
    (verdict,) = [one for one in CATALOGUE.kinds["decision"].fields if one.id == "verdict"]

    assert verdict.values == ("same", "different", "seen-to")


def test_without_a_reason_an_alarm_stays_open_at_the_unit(unit, a):
    """[CF5] The planted bug it has caught: closed by a decision that says nothing."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", [forged(writer.write())])
    (alarm,) = _ask(unit, a)["alarms"]
    unit.push(a, "tablet-a", texts(_see_to(Writer("tablet-a", "ep02"), [alarm], because="")))

    told = _ask(unit, a)

    assert (told["alarms"], told["seen_to"]) == ([alarm], [])


def test_a_fork_is_named_by_its_log():
    """[CF5] [LG5]."""
    assert name_fork("tablet-a", "ep01") == "fork/tablet-a.ep01"


def _ask(unit, headers):
    answer = unit.client.get("/api/decisions", headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def _see_to(writer, alarms, because="Told the data manager"):
    names = [one["name"] for one in alarms]
    said = {"about": names, "verdict": "seen-to", "because": because}
    return writer.write(seen_to_record(names), set=said)


@pytest.fixture
def set_aside(unit, a):
    """Return the writer of tablet-a after a fork and a forged entry reached the unit."""
    writer = Writer("tablet-a")
    unit.push(a, "tablet-a", texts(writer.write()))
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write(set={"stop_um": 31_000})))
    unit.push(a, "tablet-a", [forged(writer.write("puncture/p-2"))])
    return writer


def test_what_a_person_has_seen_to_leaves_the_open_list_and_stays_in_its_own(unit, a, b, set_aside):
    """[CF5] [CF6] The planted bug it has caught: one decision that closed a whole log's alarms."""
    fork, other = _ask(unit, b)["alarms"]
    assert (fork["kind"], other["kind"]) == ("fork", "set-aside")

    unit.push(b, "tablet-b", texts(_see_to(Writer("tablet-b"), [fork])))

    told = _ask(unit, a)
    assert told["alarms"] == [other]
    assert told["seen_to"] == [
        {
            **fork,
            "by": "staff/s-1",
            "written_ms": NOON_MS + 1,
            "because": ["Told the data manager"],
        }
    ]
    # The texts stay where they were.
    assert unit.written()[1] == 2

    third = Writer("tablet-a").write(set={"stop_um": 32_000})
    unit.push(a, "tablet-a", texts(third))
    assert [one["op_id"] for one in _ask(unit, a)["alarms"]] == [
        "tablet-a.ep01.2",
        "tablet-a.ep01.1",
    ]
    assert len(_ask(unit, a)["seen_to"]) == 1


def test_the_same_text_sent_again_stays_seen_to(unit, a, b, set_aside):
    """[CF6]."""
    unit.push(b, "tablet-b", texts(_see_to(Writer("tablet-b"), _ask(unit, b)["alarms"])))
    unit.push(a, "tablet-a", texts(Writer("tablet-a").write(set={"stop_um": 31_000})))
    unit.push(a, "tablet-a", [forged(set_aside.log[1])])

    told = _ask(unit, a)

    assert (told["alarms"], len(told["seen_to"])) == ([], 2)


def test_two_people_who_see_to_it_apart_make_no_conflict(unit, a, b, set_aside):
    """[CF6]."""
    alarms = _ask(unit, b)["alarms"]
    unit.push(b, "tablet-b", texts(_see_to(Writer("tablet-b"), alarms)))
    c = unit.join("tablet-c")
    unit.push(c, "tablet-c", texts(_see_to(Writer("tablet-c"), alarms[::-1], "Asked the ward")))

    told = _ask(unit, a)

    assert (told["alarms"], told["conflicts"], told["double_entries"]) == ([], [], [])
    assert told["seen_to"][0]["because"] == ["Told the data manager", "Asked the ward"]


def test_a_desk_hears_that_it_was_seen_to_and_not_what_was_said_in_a_stream_it_does_not_read(
    unit, b
):
    """[CF5] [EX7]."""
    desk = unit.join("desk-c", "booking")
    unit.push(desk, "desk-c", [forged(Writer("desk-c").write("visit/v-1", "booking"))])
    (alarm,) = _ask(unit, desk)["alarms"]
    assert _ask(unit, b)["alarms"] == [alarm]

    unit.push(b, "tablet-b", texts(_see_to(Writer("tablet-b"), [alarm])))

    told = _ask(unit, desk)
    assert told["alarms"] == []
    (seen,) = told["seen_to"]
    assert (seen["by"], seen["written_ms"], seen["because"]) == ("", NOON_MS + 1, [])
    assert _ask(unit, b)["seen_to"][0]["because"] == ["Told the data manager"]
