"""Proposals and overbooked sessions as a booking desk asks for them, and sessions laid out."""

import json

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.use_cases.add_sessions import add_sessions
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.server_log import Chance
from api.use_cases.verify_log import verify_log
from tests.unit.api.standing_unit import Writer, assert_problem, texts
from tests.unit.api.test_clinic_calendar import PATTERN

TODAY, UNTIL = "2026-03-16", "2026-04-30"
SCOPE = ["scope", "ultrasound-scope"]


class Desk:
    """A desk that writes patients, visits and sessions, and asks; it holds care and may plan."""

    def __init__(self, unit, name="desk-a"):
        self.unit, self.name = unit, name
        self.headers = unit.join(name, "bedside")
        self.writer = Writer(name)
        self.heads = {}

    def write(self, record, **fields):
        operation = self.writer.write(
            record,
            "booking",
            set=fields,
            over={
                name: (self.heads[record, name],) for name in fields if (record, name) in self.heads
            },
        )
        for name in fields:
            self.heads[record, name] = operation.reference
        answer = self.unit.push(self.headers, self.name, texts(operation))
        assert answer.status_code in (200, 201), answer.text
        assert answer.json()["quarantined"] == []

    def patient(self, name, **more):
        self.write(f"patient/{name}", family_name=name.title(), given_name="Ada", **more)

    def visit(self, name, days=("2026-04-01", "2026-04-14", "2026-04-21"), **more):
        fields = {
            "patient": f"patient/{name}",
            "label": "Scope check with ultrasound",
            "status": "to-book",
            "owner_role": "booking",
            "window": dict(zip(("earliest_on", "target_on", "latest_on"), days, strict=True)),
        }
        self.write(f"visit/{name}", **{**fields, **more})

    def session(self, name, on, capacity=1, equipment=SCOPE, place="Endoscopy room 2", **more):
        held = {"on": on, "starts": "09:00", "time_zone": "Europe/London"}
        self.write(
            f"clinic_session/{name}",
            place=place,
            held=held,
            capacity=capacity,
            equipment=equipment,
            **more,
        )

    def book(self, name, session, on, **more):
        booking = {"session": f"clinic_session/{session}", "on": on, "time": "09:00"}
        self.write(f"visit/{name}", booking=booking, status="booked", **more)

    def propose(self, **more):
        return self.unit.client.post(
            "/api/bookings/propose",
            json={"today_on": TODAY, "until_on": UNTIL, **more},
            headers=self.headers,
        )

    def told(self, **more):
        """Return standing and session of those proposed, and the sentence of those that are not."""
        answer = self.propose(**more)
        assert answer.status_code == 200, answer.text
        found = answer.json()
        assert found["is_optimal"] is True
        seats = {
            one["visit"].removeprefix("visit/"): (
                one["standing"],
                one["session"].removeprefix("clinic_session/"),
            )
            for one in found["proposals"]
        }
        left = {one["visit"].removeprefix("visit/"): one["because"] for one in found["unbooked"]}
        return seats, left

    def sentence(self, name, **more):
        found = self.propose(**more).json()
        return next(
            one["because"]
            for one in [*found["proposals"], *found["unbooked"]]
            if one["visit"] == f"visit/{name}"
        )

    def over(self):
        answer = self.unit.client.get("/api/bookings/over", headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json()["sessions"]


@pytest.fixture
def desk(unit):
    return Desk(unit)


def test_a_visit_gets_the_nearest_session_that_fits_and_is_told_why(desk):
    """FU-02. The planted bug it has caught: a session without the equipment proposed."""
    desk.patient("wren")
    desk.visit("wren")
    desk.session("clinic", "2026-04-14", equipment=[])
    desk.session("near", "2026-04-16")
    desk.session("far", "2026-04-20")

    answer = desk.propose().json()

    assert answer == {
        "proposals": [
            {
                "visit": "visit/wren",
                "patient": "patient/wren",
                "session": "clinic_session/near",
                "on": "2026-04-16",
                "starts": "09:00",
                "place": "Endoscopy room 2",
                "standing": "new",
                "because": "Target 14 April, nearest free session with ultrasound scope 16 April.",
                "reasons": [
                    {
                        "code": "nearest",
                        "values": {
                            "target_on": "2026-04-14",
                            "on": "2026-04-16",
                            "needs": "ultrasound-scope",
                            "place": "",
                        },
                    }
                ],
            }
        ],
        "unbooked": [],
        # Two days late, threefold.
        "cost": 6,
        "is_optimal": True,
    }


def test_a_session_on_the_target_day_is_named_as_such(desk):
    desk.patient("wren")
    desk.visit("wren")
    desk.session("there", "2026-04-14")

    assert desk.sentence("wren") == (
        "Target 14 April, and a session with ultrasound scope is free on that day."
    )


@pytest.mark.parametrize(
    ("on", "more"),
    [
        ("2026-04-21", ""),
        ("2026-04-22", " That is 1 day after its window ends; give the reason when you book it."),
        ("2026-04-30", " That is 9 days after its window ends; give the reason when you book it."),
    ],
)
def test_outside_the_window_the_sentence_asks_for_a_reason(desk, on, more):
    """FU-02, at the end of the window and a day past it."""
    desk.patient("wren")
    desk.visit("wren")
    desk.session("late", on)

    day = int(on[-2:])
    assert desk.sentence("wren") == (
        f"Target 14 April, nearest free session with ultrasound scope {day} April.{more}"
    )


def test_the_day_itself_is_no_day_to_propose_and_the_next_is(desk):
    desk.patient("wren")
    desk.visit("wren", days=("2026-03-01", "2026-03-16", "2026-03-20"))
    desk.session("today", TODAY)
    assert desk.told()[0] == {}

    desk.session("tomorrow", "2026-03-17")
    assert desk.told()[0] == {"wren": ("new", "tomorrow")}


def test_nothing_is_written(unit, desk):
    desk.patient("wren")
    desk.visit("wren")
    desk.session("near", "2026-04-16")
    before = unit.written()[0]
    desk.propose()

    assert unit.written()[0] == before


def test_who_is_booked_stays_and_who_cannot_stay_is_moved(desk):
    """The planted bug it has caught: a visit from a closed session called new."""
    for name in ("wren", "ivo", "cass"):
        desk.patient(name)
        desk.visit(name)
    desk.session("open", "2026-04-09")
    desk.session("shut", "2026-04-14", capacity=3, closed_because="holiday")
    desk.session("bare", "2026-04-13", capacity=3, equipment=[])
    desk.session("free", "2026-04-15", capacity=3)
    for name, session, on in (
        ("wren", "open", "2026-04-09"),
        ("ivo", "shut", "2026-04-14"),
        ("cass", "bare", "2026-04-13"),
    ):
        desk.book(name, session, on)

    assert desk.told()[0] == {
        "wren": ("kept", "open"),
        "ivo": ("moved", "free"),
        "cass": ("moved", "free"),
    }
    assert desk.sentence("wren") == "Booked for 9 April; that booking stays."
    assert desk.sentence("ivo").startswith("The session of 14 April is closed (holiday). Target")
    assert desk.sentence("cass").startswith(
        "The session of 13 April is no session with ultrasound scope. Target"
    )


def test_a_booking_moves_for_the_good_of_all_only_where_that_is_asked(desk):
    """Leaving costs 40: at 40 saved it stays, beyond that it moves."""
    desk.patient("wren")
    desk.visit("wren", days=("2026-03-20", "2026-04-01", "2026-04-30"))
    desk.session("held", "2026-04-15")
    desk.book("wren", "held", "2026-04-15")
    # Held: 14 days late, 42. Two days early: 2, and 40 for leaving: 42.
    desk.session("other", "2026-03-30")
    assert desk.told(may_move=True)[0] == {"wren": ("kept", "held")}

    desk.session("better", "2026-03-31")
    assert desk.told()[0] == {"wren": ("kept", "held")}
    assert desk.told(may_move=True)[0] == {"wren": ("moved", "better")}
    assert desk.sentence("wren", may_move=True).startswith(
        "Moved from 15 April, which serves all visits better."
    )


def test_nobody_is_put_out_for_somebody_more_urgent(desk):
    desk.session("only", "2026-04-14")
    for name, urgency in (("wren", 0), ("ivo", 3)):
        desk.patient(name)
        desk.visit(name, urgency=urgency)
    desk.book("wren", "only", "2026-04-14")

    seats, left = desk.told(may_move=True)

    assert seats == {"wren": ("kept", "only")}
    assert left == {
        "ivo": "Every session with ultrasound scope from 1 April to 30 April is full. Add a place, "
        "or ask a clinician which visit can wait."
    }


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (
            ("2026-04-01", "2026-04-14", "2026-04-21"),
            "No session with ultrasound scope takes place from 17 March to 30 April. "
            "Add one, or propose until a later day.",
        ),
        (
            ("2026-04-30", "2026-05-14", "2026-05-21"),
            "No session with ultrasound scope takes place from 17 March to 30 April. "
            "Add one, or propose until a later day.",
        ),
    ],
)
def test_without_a_session_it_says_what_to_do(desk, days, sentence):
    desk.patient("wren")
    desk.visit("wren", days=days)
    desk.session("clinic", "2026-04-14", equipment=[])

    assert desk.told() == ({}, {"wren": sentence})


def test_sessions_on_other_days_alone_ask_for_another_window(desk):
    desk.patient("wren")
    desk.visit("wren", days=("2026-04-20", "2026-04-25", "2026-04-28"))
    desk.session("early", "2026-04-02")

    assert desk.told()[1] == {
        "wren": "No session with ultrasound scope takes place from 20 April to 30 April. "
        "Add one, or ask a clinician for another window."
    }


def test_a_window_that_begins_after_the_last_day_is_no_part_of_it(desk):
    desk.patient("wren")
    desk.visit("wren", days=("2026-05-01", "2026-05-14", "2026-05-21"))
    desk.session("near", "2026-04-30")

    assert desk.told() == ({}, {})


def test_another_place_is_offered_to_those_who_travel_alone(desk):
    """The planted bug it has caught: everybody sent everywhere."""
    for name, travels in (("wren", True), ("ivo", False), ("cass", None)):
        more = {} if travels is None else {"travels": travels}
        desk.patient(name, home_place="Hill clinic", **more)
        desk.visit(name)
    desk.session("away", "2026-04-14", capacity=5, place="Dale clinic")

    seats, left = desk.told()

    assert seats == {"wren": ("new", "away")}
    assert sorted(left) == ["cass", "ivo"]
    assert "at Dale clinic, not the patient's own place" in desk.sentence("wren")
    assert "where the patient can be seen" in left["ivo"]


def test_a_person_has_to_act_first_where_the_record_does_not_allow_it(unit, desk):
    """HAZ-43: each is listed with what to do, none disappears."""
    desk.session("near", "2026-04-14", capacity=9)
    desk.patient("barred", do_not_contact=True)
    desk.visit("barred")
    desk.patient("blank")
    desk.visit("blank", days=("2026-04-14", "2026-04-01", "2026-04-21"))
    desk.visit("orphan")
    desk.patient("torn")
    desk.visit("torn")
    other = Desk(unit, "desk-b")
    days = {"earliest_on": "2026-04-02", "target_on": "2026-04-15", "latest_on": "2026-04-22"}
    other.write("visit/torn", window=days)
    desk.patient("owned")
    desk.visit("owned", owner_role="clinician")
    desk.patient("seen")
    desk.visit("seen", status="attended")

    assert desk.told() == (
        {},
        {
            "barred": "The patient is not to be contacted. Ask a clinician how to go on.",
            "blank": "It has no window that can be read. A clinician gives it one.",
            "orphan": "Its patient is not held here, or was struck. Correct the visit first.",
            "torn": "Two answers stand on its window. Settle them first.",
        },
    )


def test_only_the_visits_asked_for_are_proposed_and_the_others_keep_their_places(desk):
    """The planted bug it has caught: places of those not asked for given away."""
    desk.session("only", "2026-04-14", capacity=2)
    for name in ("wren", "ivo", "cass"):
        desk.patient(name)
        desk.visit(name)
    desk.book("cass", "only", "2026-04-14")

    assert desk.told(visits=["visit/ivo"]) == ({"ivo": ("new", "only")}, {})
    seats, left = desk.told(visits=["visit/ivo", "visit/wren"])
    assert (len(seats), len(left)) == (1, 1)


def test_two_desks_gave_away_the_last_place_and_one_is_listed_as_over(unit, desk):
    """[BK1] [BK2] [BK4] Both bookings stand; the proposal moves the one that is over.

    The planted bug it has caught: who holds the place decided by the visit's record.
    """
    desk.session("only", "2026-04-14")
    desk.session("next", "2026-04-16")
    for name in ("wren", "ivo"):
        desk.patient(name)
        desk.visit(name)
    # `Writer` stamps its operations one by one: the other desk has written less, so is earlier.
    other = Desk(unit, "desk-b")
    other.heads = dict(desk.heads)
    other.book("wren", "only", "2026-04-14")
    desk.book("ivo", "only", "2026-04-14")

    [session] = desk.over()

    assert session == {
        "session": "clinic_session/only",
        "place": "Endoscopy room 2",
        "on": "2026-04-14",
        "starts": "09:00",
        "capacity": 1,
        "closed_because": "",
        "holding": ["visit/wren"],
        "over": [
            {
                "visit": "visit/ivo",
                "patient": "patient/ivo",
                "why": "booked-later",
                "because": "All places of this session were taken before this booking was made. "
                "Book another session for this visit, or add a place.",
            }
        ],
    }
    assert desk.told()[0] == {"wren": ("kept", "only"), "ivo": ("moved", "next")}
    assert desk.sentence("ivo").startswith("The session of 14 April has no place for this visit. ")


def test_a_session_that_was_closed_or_struck_has_everybody_over(unit, desk):
    """[BK3] [BK5]."""
    desk.session("shut", "2026-04-14", capacity=5, closed_because="room-closed")
    desk.session("past", "2026-03-15", capacity=5, closed_because="room-closed")
    for name in ("wren", "ivo"):
        desk.patient(name)
        desk.visit(name)
    desk.book("wren", "shut", "2026-04-14")
    desk.book("ivo", "past", "2026-03-15")

    [session] = desk.over()

    assert (session["session"], session["holding"]) == ("clinic_session/shut", [])
    assert [one["why"] for one in session["over"]] == ["closed"]


def test_of_two_capacities_the_smaller_counts_and_one_closed_answer_closes(unit, desk):
    """[BK3]."""
    desk.session("torn", "2026-04-14", capacity=1)
    other = Desk(unit, "desk-b")
    other.session("torn", "2026-04-14", capacity=2)
    for name in ("wren", "ivo"):
        desk.patient(name)
        desk.visit(name)
        desk.book(name, "torn", "2026-04-14")

    [session] = desk.over()
    assert (session["capacity"], len(session["holding"]), len(session["over"])) == (1, 1, 1)

    desk.write("clinic_session/torn", closed_because="other")
    other.write("clinic_session/torn", closed_because="staff-away")
    [session] = desk.over()
    assert (session["holding"], {one["why"] for one in session["over"]}) == ([], {"closed"})


def test_a_visit_booked_twice_counts_in_both_sessions(unit, desk):
    """[BK1] Two answers on the booking: no place of either is given away."""
    for name, on in (("one", "2026-04-14"), ("two", "2026-04-15")):
        desk.session(name, on)
    for name in ("wren", "ivo"):
        desk.patient(name)
        desk.visit(name)
    desk.book("wren", "one", "2026-04-14")
    Desk(unit, "desk-b").book("wren", "two", "2026-04-15")

    seats, left = desk.told()

    assert seats == {}
    assert left["wren"] == "Two answers stand on its booking. Settle them first."
    assert "is full" in left["ivo"]


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"until_on": TODAY}, "The last day must lie 1 to 400 days after today."),
        ({"until_on": "2027-04-21"}, "The last day must lie 1 to 400 days after today."),
        ({"until_on": "2026-04-31"}, "'2026-04-31' is no date such as 2026-03-01."),
        ({"visits": ["visit/none"]}, "No visit visit/none is held here."),
    ],
)
def test_what_cannot_be_proposed_is_refused_in_one_sentence(desk, asked, sentence):
    assert_problem(desk.propose(**asked), 422, sentence)


def test_a_horizon_of_400_days_is_the_longest(desk):
    assert desk.propose(until_on="2027-04-20").status_code == 200


def test_a_stranger_is_told_nothing(unit):
    for answer in (
        unit.client.post("/api/bookings/propose", json={"today_on": TODAY, "until_on": UNTIL}),
        unit.client.get("/api/bookings/over"),
    ):
        assert_problem(answer, 401)


def _chances():
    number = iter(range(1, 10_000))
    return lambda: (
        lambda at: Chance(
            new_id=f"id{at:08}", new_epoch="ep01", salt=f"{at:032x}", now_ms=1_790_000_000_000
        )
    )(next(number))


def _lay_out(unit, draw=None, by=None, **changed):
    draw = draw or _chances()
    by = by or add_staff(unit.store, "Cass Underhay", "booking", chance=draw())
    content = json.dumps({**PATTERN, **changed}).encode()
    return add_sessions(unit.store, content, by=by, draw_chance=draw)


def test_sessions_are_laid_out_once_with_closed_days_marked(unit, desk):
    """The planted bug it has caught: a second season beside the first."""
    draw = _chances()
    by = add_staff(unit.store, "Cass Underhay", "booking", chance=draw())
    first = _lay_out(unit, draw, by)
    second = _lay_out(unit, draw, by, until_on="2026-04-19")

    assert (first.added, first.already, first.closed) == (6, 0, {"holiday": 2})
    # Another week has one Monday and one Friday more.
    assert (second.added, second.already, second.closed) == (2, 6, {})
    with unit.store.transaction():
        states = unit.store.views.of_kind("clinic_session")
    shown = [
        (state.fields["held"].values[0].value["on"], "closed_because" in state.fields)
        for state in states
    ]
    assert len(states) == 8
    assert sorted(on for on, is_closed in shown if is_closed) == ["2026-04-03", "2026-04-06"]
    assert {state.fields["capacity"].values[0].by for state in states} == {by}
    assert verify_log(unit.store).findings == ()


def test_a_session_laid_out_by_hand_is_not_laid_out_again(unit, desk):
    desk.session("by-hand", "2026-03-23")

    assert _lay_out(unit).already == 1


def test_visits_are_proposed_into_a_season_but_not_on_its_closed_days(unit, desk):
    """Easter Monday, 6 April, would be the nearest."""
    _lay_out(unit)
    desk.patient("wren")
    desk.visit("wren", days=("2026-03-20", "2026-04-06", "2026-04-20"))

    [one] = desk.propose().json()["proposals"]
    assert one["on"] == "2026-03-30"


def test_a_pattern_or_person_that_is_wrong_writes_nothing(unit):
    before = unit.written()[0]
    with pytest.raises(NotAllowedError, match="no active member of staff"):
        _lay_out(unit, by="staff/nobody")
    with pytest.raises(CalculationError, match="no time zone"):
        _lay_out(unit, by="staff/nobody", time_zone="Nowhere")

    assert unit.written()[0] == before


def test_the_commands_lay_out_propose_and_refuse(tmp_path):
    """One sentence and exit code 2 when it refuses."""

    def run(*arguments):
        result = CliRunner().invoke(main, [*arguments, "--data", str(tmp_path / "unit")])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    person = run("staff", "add", "--name", "Cass Underhay", "--role", "booking").stdout
    by = person.split(" is ")[1].strip().rstrip(".")
    pattern = tmp_path / "pattern.json"
    pattern.write_text(json.dumps(PATTERN))

    assert run("add-sessions", str(pattern), "--by", by).stdout == (
        "Sessions laid out: 6 (closed: 2 holiday). Already there: 0.\n"
    )
    assert run("add-sessions", str(pattern), "--by", by).stdout == (
        "Sessions laid out: 0 (closed: none). Already there: 6.\n"
    )
    table = run("propose-bookings").stdout
    assert table.endswith(
        "Proposed: 0. Without a place: 0. Cost 0, proved the lowest. "
        "Nothing was written: a person books.\n"
    )
    assert json.loads(run("propose-bookings", "--format", "json").stdout) == {
        "proposals": [],
        "unbooked": [],
        "cost": 0,
        "is_optimal": True,
    }
    for refused in (
        run("add-sessions", str(tmp_path / "none.json"), "--by", by),
        run("add-sessions", str(pattern), "--by", "staff/none"),
        run("propose-bookings", "--until", "tomorrow"),
    ):
        assert (refused.exit_code, len(refused.stderr.strip().splitlines())) == (2, 1)


@pytest.mark.parametrize("held_on", ["2026-04-13", "2026-04-15", "2026-03-10"])
def test_a_session_that_was_moved_leaves_nobody_in_silence(desk, held_on):
    """[BK7] Also where it was moved into the past: the patient was told a day to come.

    Planted bug that this caught: sessions listed by their own day alone.
    """
    desk.session("one", "2026-04-14")
    desk.patient("wren")
    desk.visit("wren")
    desk.book("wren", "one", "2026-04-14")
    assert desk.over() == []

    held = {"on": held_on, "starts": "09:00", "time_zone": "Europe/London"}
    desk.write("clinic_session/one", held=held)

    [session] = desk.over()
    assert (session["on"], session["holding"]) == (held_on, [])
    assert [(one["visit"], one["why"]) for one in session["over"]] == [
        ("visit/wren", "another-day")
    ]


def test_a_booking_of_a_moved_session_is_proposed_anew(desk):
    """[BK7] The session is the same one, and its booking does not stand as kept."""
    desk.session("one", "2026-04-14")
    desk.patient("wren")
    desk.visit("wren")
    desk.book("wren", "one", "2026-04-14")
    held = {"on": "2026-04-15", "starts": "09:00", "time_zone": "Europe/London"}
    desk.write("clinic_session/one", held=held)

    assert desk.told()[0] == {"wren": ("moved", "one")}
    assert desk.sentence("wren") == (
        "Booked for 14 April, but that session is held on another day. Target 14 April, nearest "
        "free session with ultrasound scope 15 April."
    )


def test_a_booking_of_a_session_that_nobody_has_heard_of_is_listed_and_proposed_anew(desk):
    """[BK7]"""
    desk.patient("wren")
    desk.visit("wren")
    desk.book("wren", "unheard", "2026-04-14")
    desk.session("one", "2026-04-15")

    [session] = desk.over()
    assert (session["session"], session["on"]) == ("clinic_session/unheard", "2026-04-14")
    assert [one["why"] for one in session["over"]] == ["not-held"]
    assert desk.told()[0] == {"wren": ("moved", "one")}
    assert desk.sentence("wren").startswith(
        "Booked for 14 April into a session of which no day is on record. "
    )


def test_two_answers_on_what_became_of_a_booking_keep_its_place_until_somebody_chose(unit, desk):
    """[BK1]"""
    desk.session("one", "2026-04-14")
    for name in ("wren", "ivo"):
        desk.patient(name)
        desk.visit(name)
    desk.book("wren", "one", "2026-04-14")
    other = Desk(unit, "desk-b")
    other.write("visit/wren", status="cancelled")
    desk.book("ivo", "one", "2026-04-14")

    [session] = desk.over()
    assert (session["holding"], session["over"][0]["visit"]) == (["visit/wren"], "visit/ivo")
    assert "Two answers stand on its status" in desk.told()[1]["wren"]
