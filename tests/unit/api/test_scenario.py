"""The player of stories: what is on screen is replaced, what is not is kept side by side."""

import copy
import json

import pytest

from api.storage.unit_store import open_unit_store, read_packaged_catalogue
from api.use_cases.errors import ScenarioError
from api.use_cases.load_scenario import load_scenario
from api.use_cases.scenario import read_instant_ms, read_scenario, shift_scenario
from api.use_cases.scenario_play import play_scenario
from sync.operation import read_body

CATALOGUE = read_packaged_catalogue()
PATIENT = "patient/p-1"


def _act(device, minute, set_=None, **more):
    return {
        "at": f"2026-03-16T08:{minute:02d}:00+00:00",
        "device": device,
        "by": "staff/juno",
        "record": PATIENT,
        **({} if set_ is None else {"set": set_}),
        **more,
    }


def _exchange(device, minute):
    return {"at": f"2026-03-16T08:{minute:02d}:00+00:00", "exchange": [device, "unit"]}


def _story(*timeline, **ends_with):
    return {
        "title": "A phone number",
        "story": "Two people write down a phone number. Only one had seen the other's.",
        "story_today_on": "2026-03-16",
        "devices": [{"id": "tablet-a", "role": "bedside"}, {"id": "desk-b", "role": "booking"}],
        "timeline": list(timeline),
        "ends_with": ends_with,
    }


def _play(story, name="story"):
    return play_scenario(name, read_scenario(name, json.dumps(story).encode()), CATALOGUE)


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


def test_a_value_that_was_on_screen_is_replaced():
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}),
            _exchange("tablet-a", 2),
            _exchange("desk-b", 3),
            _act("desk-b", 4, {"phone": "2"}),
            records={PATIENT: {"phone": "2"}},
        )
    )


def test_a_value_that_was_not_on_screen_is_kept_beside():
    """[MG4]."""
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}),
            _act("desk-b", 4, {"phone": "2"}),
            records={PATIENT: {"phone": None}},
            conflicts=[{"record": PATIENT, "field": "phone", "values": ["2", "1"]}],
        )
    )


def test_a_device_sees_its_own_values_before_any_exchange():
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}),
            _act("tablet-a", 2, {"phone": "2"}),
            records={PATIENT: {"phone": "2"}},
        )
    )


def test_a_form_opened_before_replaces_nothing():
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}),
            _act("tablet-a", 2, {"phone": "2"}, over_shown=False),
            conflicts=[{"record": PATIENT, "field": "phone"}],
        )
    )


def test_labels_say_what_is_replaced_and_what_is_retracted():
    """[CF2] [MG9]."""
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}, label="one"),
            _act("desk-b", 2, {"phone": "2"}, label="two"),
            _exchange("tablet-a", 3),
            _exchange("desk-b", 4),
            _exchange("tablet-a", 5),
            _act("tablet-a", 6, {"phone": "3"}, over_shown={"phone": ["one", "two"]}),
            _act("tablet-a", 7, retract=["two"], because="wrong patient"),
            records={PATIENT: {"phone": "3"}},
        )
    )


def test_a_record_retracted_whole_is_named_at_the_end():
    _play(
        _story(
            _act("tablet-a", 1, {"phone": "1"}, label="one"),
            _act("tablet-a", 2, retract=["one"]),
            entered_in_error=[PATIENT],
        )
    )


def test_a_booking_device_reads_no_clinical_stream():
    play = _play(
        _story(
            _act("tablet-a", 1, {"past_bleeds": 1}, record="case/c-1"),
            _exchange("tablet-a", 2),
            _exchange("desk-b", 3),
            _act("desk-b", 4, {"phone": "2"}),
        )
    )

    assert set(play.states) == {"case/c-1", PATIENT}
    assert [push.device for push in play.pushes] == ["tablet-a", "desk-b"]


def test_the_same_story_is_the_same_bytes_and_another_name_is_not():
    story = _story(_act("tablet-a", 1, {"phone": "1"}))

    one, same, other = _play(story), _play(copy.deepcopy(story)), _play(story, "other")

    texts = [play.pushes[0].operations[0].envelope_text for play in (one, same, other)]
    assert texts[0] == texts[1] != texts[2]


@pytest.mark.parametrize(
    ("timeline", "ends_with", "part"),
    [
        ([_act("tablet-x", 1, {"phone": "1"})], {}, "entry 1: there is no device 'tablet-x'"),
        ([_act("tablet-a", 1, {"fone": "1"})], {}, "patient has no field fone"),
        ([_act("tablet-a", 1, {"sex": "x"})], {}, "patient.sex does not allow 'x'"),
        ([_act("tablet-a", 1, {"needs": ["chair"]})], {}, "patient.needs does not allow 'chair'"),
        ([_act("tablet-a", 1, {"born_on": "1 May"})], {}, "patient.born_on does not allow"),
        ([_act("tablet-a", 1, {"x": 1}, record="thing/t-1")], {}, "is of no kind"),
        (
            [_act("tablet-a", 1, {"window": {"from": "2026-01-01"}}, record="visit/v-1")],
            {},
            "visit.window has no part from",
        ),
        (
            [_act("tablet-a", 1, {"stop_um": True}, record="puncture/p-1")],
            {},
            "puncture.stop_um does not allow True",
        ),
        (
            [_act("desk-b", 1, {"past_bleeds": 1}, record="case/c-1")],
            {},
            "a booking device does not write stream care",
        ),
        ([_act("tablet-a", 1, {"phone": "1"}, by="")], {}, "nobody is named"),
        ([_act("tablet-a", 1, {"phone": "1"}, retract=["x"])], {}, "the label 'x'"),
        ([_act("tablet-a", 1)], {}, "sets no field"),
        (
            [
                _act("tablet-a", 1, {"phone": "1"}, label="l"),
                _act("tablet-a", 2, {"phone": "2"}, label="l"),
            ],
            {},
            "entry 2 .*stands twice",
        ),
        ([_act("tablet-a", 1, {"phone": "1"}, at="yesterday")], {}, "no instant"),
        (
            [{"at": "2026-03-16T08:00:00Z", "exchange": ["tablet-a", "desk-b"]}],
            {},
            "entry 1: write",
        ),
        (
            [_act("tablet-a", 1, {"phone": "1"})],
            {"records": {PATIENT: {"phone": "2"}}},
            "phone is '1', not '2'",
        ),
        (
            [_act("tablet-a", 1, {"phone": "1"})],
            {"conflicts": [{"record": PATIENT, "field": "phone"}]},
            "open conflicts are",
        ),
        (
            [_act("tablet-a", 1, {"phone": "1"}), _act("desk-b", 2, {"phone": "2"})],
            {"conflicts": [{"record": PATIENT, "field": "phone", "values": ["1", "3"]}]},
            "values of",
        ),
        ([_act("tablet-a", 1, {"phone": "1"})], {"entered_in_error": [PATIENT]}, "in error are"),
        ([_act("tablet-a", 1, {"phone": "1"}, colour=1)], {}, "colour"),
    ],
)
def test_a_story_that_contradicts_itself_is_refused_whole(store, timeline, ends_with, part):
    good = _act("tablet-a", 0, {"given_name": "Ada"})
    content = json.dumps(_story(*timeline, good, **ends_with)).encode()

    with pytest.raises(ScenarioError, match=part):
        load_scenario(store, "story", content)
    assert store.operations.count() == 0
    assert store.fact("scenario story") is None


def test_a_story_twice_changes_nothing_and_on_another_day_is_refused(store):
    content = json.dumps(_story(_act("tablet-a", 1, {"phone": "1"}))).encode()

    first = load_scenario(store, "story", content, today_on="2026-11-25")
    second = load_scenario(store, "story", content, today_on="2026-11-25")

    assert (first.operations, second.operations) == (1, 0)
    with pytest.raises(ScenarioError, match="fresh --data folder"):
        load_scenario(store, "story", content, today_on="2026-11-26")
    assert store.operations.count() == 1


def test_dates_and_instants_move_by_whole_days_and_words_stay():
    story = _story(
        _act("tablet-a", 1, {"born_on": "1961-02-28", "phone_note": "2026-03-16"}),
        _act(
            "tablet-a",
            2,
            {
                "window": {
                    "earliest_on": "2026-03-16",
                    "target_on": "2026-04-01",
                    "latest_on": None,
                }
            },
            record="visit/v-2026-03-16",
        ),
        _act(
            "tablet-a",
            3,
            {
                "opened_at": "2026-03-16T23:30:00+01:00",
                "plan": {"answer": {"visits": [{"on": "2026-03-17", "steps": [1]}]}},
            },
            record="case/c-1",
        ),
        _act(
            "tablet-a",
            4,
            {
                "lots": [{"lot": "L-1", "expires_on": "2026-03-16"}],
            },
            record="stock_item/s-1",
        ),
        records={"case/c-1": {"opened_at": "2026-03-16T23:30:00+01:00"}},
    )
    scenario = read_scenario("story", json.dumps(story).encode())

    moved = shift_scenario("story", scenario, CATALOGUE, today_on="2027-03-17")
    play = play_scenario("story", moved, CATALOGUE)

    bodies = [read_body(one.body_text or "").set for one in play.pushes[0].operations]
    assert bodies == [
        {"born_on": "1962-03-01", "phone_note": "2026-03-16"},
        {
            "window": {
                "earliest_on": "2027-03-17",
                "target_on": "2027-04-02",
                "latest_on": None,
            }
        },
        {
            "opened_at": "2027-03-17T23:30:00+01:00",
            "plan": {"answer": {"visits": [{"on": "2027-03-18", "steps": [1]}]}},
        },
        {"lots": [{"lot": "L-1", "expires_on": "2027-03-17"}]},
    ]
    assert [entry.at[:10] for entry in moved.timeline] == ["2027-03-17"] * 4
    assert play.pushes[0].operations[1].record == "visit/v-2026-03-16"


@pytest.mark.parametrize("today_on", ["tomorrow", "2026-02-30", "20260316"])
def test_a_day_that_is_none_is_refused(today_on):
    scenario = read_scenario("story", json.dumps(_story()).encode())

    with pytest.raises(ScenarioError, match="is no date"):
        shift_scenario("story", scenario, CATALOGUE, today_on=today_on)


def test_a_move_out_of_the_calendar_is_refused():
    story = _story(_act("tablet-a", 1, {"born_on": "0001-01-01"}))
    scenario = read_scenario("story", json.dumps(story).encode())

    with pytest.raises(ScenarioError, match="Choose a nearer day"):
        shift_scenario("story", scenario, CATALOGUE, today_on="2020-01-01")


def test_instants_are_read_with_their_offset():
    """The instant and its number are derived: 1970-01-02 is one day after the epoch."""
    assert read_instant_ms("x", "1970-01-02T00:00:00Z") == 86_400_000
    assert read_instant_ms("x", "1970-01-02T01:00:00.5+01:00") == 86_400_500
    with pytest.raises(ScenarioError, match="no instant"):
        read_instant_ms("x", "1970-01-02T01:00:00")
