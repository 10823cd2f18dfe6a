"""A calendar feed of a place or a person: parsed again by two libraries, and scanned for words.

Planted bugs that this caught: a moved visit that stayed confirmed at the former place, a sequence
that counted standing writings alone and fell when one was struck, a feed that a revoked token
still opened.
"""

import re

import icalendar
import pytest
import vobject

from api.clinical_rules.civil_date import add_days
from api.documents.calendar_feed import FeedWords, write_feed
from api.documents.opaque_id import opaque_id
from api.use_cases.read_clinic import read_clinic
from api.use_cases.writings import civil_day
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, StandingUnit

PRIVATE = (
    "Marigold",
    "Fennimore",
    "1961",
    "varix",
    "varices",
    "coil",
    "bleed",
    "scope check",
    "TH-77",
)
CLINICAL = re.compile(
    r"vari[xc]|coil|adhesive|cyanoacrylate|bleed|cirrh|liver|portal|obliterat|flow|"
    r"born|birth|diagnos",
    re.IGNORECASE,
)
VISIT = "visit/fennimore-eus-3m"


@pytest.fixture
def story(unit):
    told = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        told.write(
            "patient/marigold-fennimore",
            family_name="Fennimore",
            given_name="Marigold",
            born_on="1961-04-02",
            local_id="TH-77",
            phone="01632 960 077",
            phone_note="bleeding last year, varix",
        )
        told.session("one", "2026-03-20")
        told.session("two", "2026-03-27", starts="10:00")
        told.session("three", "2026-04-03", place="Annexe, first floor; east")
        told.write(
            VISIT,
            patient="patient/marigold-fennimore",
            label="Scope check with ultrasound",
            status="to-book",
            owner="staff/s-1",
            window={
                "earliest_on": "2026-03-14",
                "target_on": "2026-03-20",
                "latest_on": "2026-04-20",
            },
        )
        told.book(VISIT, "clinic_session/one", "2026-03-20")
        told.write("staff/s-1", name="Cass Underhay", role="booking")
        told.write("staff/s-2", name="Pell Thistlewood", role="booking")
    return told


def _add(unit, name="Room 4", scope="place"):
    answer = unit.client.post(
        "/api/calendars",
        json={"scope": scope, "name": name},
        headers={"authorization": f"Bearer {LOCAL_KEY}"},
    )
    assert answer.status_code == 201, answer.text
    return answer.json()


def _fetch(unit, token):
    answer = unit.client.get(f"/calendar/{token}.ics")
    assert answer.status_code == 200, answer.text
    return answer.content


def _events(content):
    """Return the events as two libraries read them; they agree, and neither found a fault."""
    calendar = icalendar.Calendar.from_ical(content)
    events = list(calendar.walk("VEVENT"))
    assert calendar.errors == []
    assert [event.errors for event in events] == [[]] * len(events)
    other = vobject.readOne(content.decode())
    named = {one.uid.value: one for one in other.contents.get("vevent", [])}
    for event in events:
        twin = named[str(event["uid"])]
        assert twin.dtstart.value == event.decoded("dtstart")
        assert twin.status.value == str(event["status"])
        assert twin.summary.value == str(event["summary"])
    return events


def _only(content):
    (event,) = _events(content)
    return event


def test_a_booked_visit_is_one_event_in_utc(unit, story):
    """[FU-09] 20 March is before the clocks change in London, 27 March as well, 3 April after."""
    event = _only(_fetch(unit, _add(unit)["token"]))

    assert event.decoded("dtstart").isoformat() == "2026-03-20T09:30:00+00:00"
    assert event.decoded("dtend").isoformat() == "2026-03-20T10:00:00+00:00"
    assert (str(event["summary"]), str(event["location"])) == ("Clinic visit", "Room 4")
    assert (str(event["status"]), str(event["class"])) == ("CONFIRMED", "PRIVATE")
    assert str(event["uid"]).startswith(opaque_id(VISIT))
    assert event.decoded("dtstamp") == event.decoded("last-modified")


def test_no_name_no_birth_date_no_clinical_word_stands_in_a_feed(unit, story):
    """[HAZ-47] Also not in the UID, which is made from a record id that may hold a name."""
    with unit.store.transaction():
        story.write(VISIT, status="cancelled")
    for made in (_add(unit), _add(unit, "staff/s-1", "person")):
        text = re.sub(r"\r\n[ \t]", "", _fetch(unit, made["token"]).decode())
        assert "STATUS:CANCELLED" in text
        assert CLINICAL.search(text) is None
        for word in PRIVATE:
            assert word.lower() not in text.lower()


def test_a_move_keeps_the_uid_and_raises_the_sequence(unit, story):
    """[FU-09]"""
    token = _add(unit)["token"]
    before = _only(_fetch(unit, token))
    with unit.store.transaction():
        story.book(VISIT, "clinic_session/two", "2026-03-27", "10:15")
    after = _only(_fetch(unit, token))

    assert after["uid"] == before["uid"]
    assert after["sequence"] > before["sequence"]
    assert after.decoded("dtstamp") > before.decoded("dtstart").replace(year=1970)
    assert after.decoded("dtstart").isoformat() == "2026-03-27T10:15:00+00:00"


def test_a_visit_moved_to_another_place_is_cancelled_here_and_stands_there(unit, story):
    """[FU-09] Summer time: 09:30 in London is 08:30 UTC on 3 April."""
    here, there = _add(unit)["token"], _add(unit, "Annexe, first floor; east")["token"]
    assert _events(_fetch(unit, there)) == []
    with unit.store.transaction():
        story.book(VISIT, "clinic_session/three", "2026-04-03")

    gone, stands = _only(_fetch(unit, here)), _only(_fetch(unit, there))

    assert (str(gone["status"]), str(stands["status"])) == ("CANCELLED", "CONFIRMED")
    assert gone["uid"] == stands["uid"]
    assert stands.decoded("dtstart").isoformat() == "2026-04-03T08:30:00+00:00"
    assert str(stands["location"]) == "Annexe, first floor; east"


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"status": "cancelled"}, "CANCELLED"),
        ({"status": "ended", "ended_because": "died"}, "CANCELLED"),
        ({"status": "to-book"}, "CANCELLED"),
        ({"status": "attended"}, "CONFIRMED"),
        ({"status": "no-show"}, "CONFIRMED"),
    ],
)
def test_what_became_of_a_visit_is_not_told_but_that_it_is_off(unit, story, fields, status):
    """[FU-09] [HAZ-47] Who came and who died is no business of a calendar."""
    token = _add(unit)["token"]
    with unit.store.transaction():
        story.write(VISIT, **fields)

    assert str(_only(_fetch(unit, token))["status"]) == status


def test_two_answers_on_a_booking_are_tentative_at_both(unit, story):
    """[FU-09] [HAZ-43]"""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 50)
        booking = {"session": "clinic_session/three", "on": "2026-04-03", "time": "11:00"}
        other.write(VISIT, sees=False, booking=booking)

    for name in ("Room 4", "Annexe, first floor; east"):
        assert str(_only(_fetch(unit, _add(unit, name)["token"]))["status"]) == "TENTATIVE"


def test_the_sequence_never_falls_not_even_when_a_writing_is_struck(unit, story):
    """[FU-09] A program that fetched the higher number would ignore the correction for ever."""
    token = _add(unit)["token"]
    seen = [_only(_fetch(unit, token))["sequence"]]
    with unit.store.transaction():
        story.book(VISIT, "clinic_session/two", "2026-03-27")
        wrong = story.log[-1].reference
    seen.append(_only(_fetch(unit, token))["sequence"])
    with unit.store.transaction():
        story.write(VISIT, retract=(wrong,))
    seen.append(_only(_fetch(unit, token))["sequence"])
    with unit.store.transaction():
        held = {"on": "2026-03-20", "starts": "08:00", "time_zone": "Europe/London"}
        story.write("clinic_session/one", held=held)
    seen.append(_only(_fetch(unit, token))["sequence"])

    assert seen == sorted(set(seen))


def test_a_server_rebuilt_from_the_same_log_gives_the_same_bytes(unit, story, tmp_path):
    """[FU-09] In another order of arrival: one desk's log after the other's."""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 500)
        other.book(VISIT, "clinic_session/two", "2026-03-27")
        story.now_ms = NOON_MS + 900
        story.write("clinic_session/two", place="Room 4")
    wanted = _fetch(unit, _add(unit)["token"])

    with StandingUnit(tmp_path / "again").serving() as again:
        with again.store.transaction():
            for operation in (*other.log, *story.log):
                again.store.operations.append([operation], received_ms=1)
            again.store.views.rebuild()
        assert _fetch(again, _add(again)["token"]) == wanted


def test_a_feed_of_a_person_drops_what_was_handed_over(unit, story):
    """[FU-09] [FU-05]"""
    token = _add(unit, "staff/s-1", "person")["token"]
    assert str(_only(_fetch(unit, token))["status"]) == "CONFIRMED"
    with unit.store.transaction():
        story.write(VISIT, owner="staff/s-2")

    assert str(_only(_fetch(unit, token))["status"]) == "CANCELLED"
    other = _add(unit, "staff/s-2", "person")["token"]
    assert str(_only(_fetch(unit, other))["status"]) == "CONFIRMED"


@pytest.mark.parametrize(
    ("on", "is_shown"), [("2026-01-14", False), ("2026-01-15", True), ("2026-01-16", True)]
)
def test_what_is_over_leaves_the_feed_after_60_days(unit, story, on, is_shown):
    """[FU-09] Today is 16 March 2026: 60 days before is 15 January. Unit setting."""
    with unit.store.transaction():
        story.session("old", on)
        story.book(VISIT, "clinic_session/old", on)

    assert len(_events(_fetch(unit, _add(unit)["token"]))) == is_shown


def test_a_booking_without_a_time_of_day_is_a_whole_day(unit, story):
    with unit.store.transaction():
        story.session("bare", "2026-03-21", starts="")
        story.book(VISIT, "clinic_session/bare", "2026-03-21", "")

    event = _only(_fetch(unit, _add(unit)["token"]))

    assert event.decoded("dtstart").isoformat() == "2026-03-21"
    assert event.decoded("dtend").isoformat() == "2026-03-22"


def test_lines_are_folded_at_75_octets_and_end_with_crlf(unit, story):
    """RFC 5545, 3.1."""
    name = "Ögonmottagningen på andra våningen, mitt emot kaféet vid huvudingången, rum fyra"
    with unit.store.transaction():
        story.session("long", "2026-03-22", place=name)
        story.book(VISIT, "clinic_session/long", "2026-03-22")

    content = _fetch(unit, _add(unit, name)["token"])

    assert content.endswith(b"\r\n")
    assert max(len(line) for line in content.split(b"\r\n")) <= 75
    assert content.count(b"\n") == content.count(b"\r\n")
    assert str(_only(content)["location"]) == name


def test_a_feed_is_sent_once_until_it_changes(unit, story):
    token = _add(unit)["token"]
    first = unit.client.get(f"/calendar/{token}.ics")
    etag = {"if-none-match": first.headers["etag"]}
    assert first.headers["content-type"] == "text/calendar; charset=utf-8"

    assert unit.client.get(f"/calendar/{token}.ics", headers=etag).status_code == 304
    with unit.store.transaction():
        story.book(VISIT, "clinic_session/two", "2026-03-27")
    assert unit.client.get(f"/calendar/{token}.ics", headers=etag).status_code == 200


def test_an_unknown_and_a_revoked_token_find_the_same_nothing(unit, story):
    """[FU-09] [HAZ-47] Whoever tries learns nothing of what there was."""
    made = _add(unit)
    path = f"/calendar/{made['token']}.ics"
    assert unit.client.get(path).status_code == 200
    revoked = unit.client.post(
        "/api/calendar-revocations",
        json={"calendar": made["id"]},
        headers={"authorization": f"Bearer {LOCAL_KEY}"},
    )
    assert revoked.status_code == 201, revoked.text

    answers = [unit.client.get(one) for one in (path, f"/calendar/{'0' * 64}.ics", "/calendar/x")]

    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.content for answer in answers}) == 1
    assert "etag" not in answers[0].headers


def test_only_the_hash_of_a_token_of_256_bits_is_kept(unit, story):
    """[FU-09]"""
    made = _add(unit)
    assert len(bytes.fromhex(made["token"])) * 8 == 256
    unit.store.copy_to(unit.folder / "copy.sqlite3")

    assert made["token"].encode() not in (unit.folder / "copy.sqlite3").read_bytes()


def test_a_device_of_the_unit_makes_and_closes_a_calendar_and_a_stranger_none(unit, story, a):
    """[FU-09] [HAZ-47] Planted bug that this caught: a route that asked nobody who it was."""
    body = {"scope": "person", "name": "staff/s-1"}
    stranger = {"authorization": f"Bearer {'0' * 64}"}
    for headers in ({}, stranger):
        assert unit.client.post("/api/calendars", json=body, headers=headers).status_code == 401
        assert unit.client.get("/api/calendars", headers=headers).status_code == 401
        closing = unit.client.post(
            "/api/calendar-revocations", json={"calendar": "x"}, headers=headers
        )
        assert closing.status_code == 401

    made = unit.client.post("/api/calendars", json=body, headers=a).json()
    path = f"/calendar/{made['token']}.ics"
    assert unit.client.get(path).status_code == 200
    listed = unit.client.get("/api/calendars", headers=a).json()["calendars"]
    assert [(one["id"], one["name"], one["revoked_ms"]) for one in listed] == [
        (made["id"], "staff/s-1", None)
    ]
    assert made["token"] not in str(listed)
    answer = unit.client.post("/api/calendar-revocations", json={"calendar": made["id"]}, headers=a)
    assert answer.json()["calendars"][0]["revoked_ms"] is not None
    assert unit.client.get(path).status_code == 404


def test_a_place_that_no_session_names_is_refused_with_those_there_are(unit, story):
    answer = unit.client.post(
        "/api/calendars",
        json={"scope": "place", "name": "Rom 4"},
        headers={"authorization": f"Bearer {LOCAL_KEY}"},
    )

    assert answer.status_code == 403
    assert "Room 4" in answer.json()["detail"]


def test_an_empty_feed_is_a_sound_calendar():
    assert _events(write_feed([], FeedWords())) == []


def _strike(story, record):
    """Strike everything that was written on a record."""
    written = tuple(one.reference for one in story.log if one.record == record)
    story.write(record, sees=False, retract=written)


def test_a_struck_session_takes_no_event_and_no_number_back(unit, story):
    """[FU-09] The room still has the visit, in doubt until somebody books it anew.

    Planted bugs that this caught: the writings of struck sessions not counted, so that the number
    fell; their place forgotten, so that the visit left the feed without a word.
    """
    token = _add(unit)["token"]
    with unit.store.transaction():
        held = {"on": "2026-03-20", "starts": "08:00", "time_zone": "Europe/London"}
        story.write("clinic_session/one", held=held)
    before = _only(_fetch(unit, token))
    with unit.store.transaction():
        _strike(story, "clinic_session/one")

    after = _only(_fetch(unit, token))

    assert (str(before["status"]), str(after["status"])) == ("CONFIRMED", "TENTATIVE")
    assert after["sequence"] > before["sequence"]
    assert (str(after["location"]), after["uid"]) == ("Room 4", before["uid"])


@pytest.mark.parametrize("change", [{"closed_because": "holiday"}, {"held": {"on": "2026-03-21"}}])
def test_a_booking_whose_session_is_closed_or_moved_is_tentative(unit, story, change):
    """[FU-09] [BK7]"""
    token = _add(unit)["token"]
    before = _only(_fetch(unit, token))["sequence"]
    with unit.store.transaction():
        story.write("clinic_session/one", **change)

    after = _only(_fetch(unit, token))

    assert (str(after["status"]), after["sequence"] > before) == ("TENTATIVE", True)


@pytest.mark.parametrize(("name", "scope"), [("Room 4", "place"), ("staff/s-1", "person")])
def test_a_struck_visit_is_cancelled_in_the_feeds_that_told_of_it(unit, story, name, scope):
    """[FU-09] A program keeps for ever what a feed leaves out without a word.

    Planted bug that this caught: struck visits left out.
    """
    token = _add(unit, name, scope)["token"]
    before = _only(_fetch(unit, token))
    with unit.store.transaction():
        _strike(story, VISIT)

    after = _only(_fetch(unit, token))

    assert (str(before["status"]), str(after["status"])) == ("CONFIRMED", "CANCELLED")
    assert after["sequence"] > before["sequence"]
    assert (after["uid"], after.decoded("dtstart")) == (before["uid"], before.decoded("dtstart"))


def test_a_session_that_goes_to_another_place_is_cancelled_at_the_former(unit, story):
    """[FU-09] Planted bug that this caught: a session taken to have been where it is now."""
    here = _add(unit)["token"]
    before = _only(_fetch(unit, here))
    with unit.store.transaction():
        story.write("clinic_session/one", place="Annexe, first floor; east")

    there = _add(unit, "Annexe, first floor; east")["token"]
    gone, stands = _only(_fetch(unit, here)), _only(_fetch(unit, there))

    assert (str(gone["status"]), str(stands["status"])) == ("CANCELLED", "CONFIRMED")
    assert gone["uid"] == stands["uid"] == before["uid"]
    assert gone["sequence"] > before["sequence"]


def test_two_bookings_that_become_one_take_no_number_back(unit, story):
    """[FU-09] The time of a booking without one is that of its session.

    Planted bug that this caught: the writings of a session added once for each booking of it.
    """
    token = _add(unit)["token"]
    with unit.store.transaction():
        story.book(VISIT, "clinic_session/one", "2026-03-20", "")
    before = _only(_fetch(unit, token))["sequence"]
    with unit.store.transaction():
        held = {"on": "2026-03-20", "starts": "09:30", "time_zone": "Europe/London"}
        story.write("clinic_session/one", held=held)

    assert _only(_fetch(unit, token))["sequence"] > before


def test_two_answers_on_what_became_of_a_visit_are_tentative(unit, story):
    """[FU-09] [HAZ-43]"""
    with unit.store.transaction():
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 50)
        other.write(VISIT, sees=False, status="cancelled")

    for name, scope in (("Room 4", "place"), ("staff/s-1", "person")):
        token = _add(unit, name, scope)["token"]
        assert str(_only(_fetch(unit, token))["status"]) == "TENTATIVE"


def test_who_came_before_the_day_booked_is_not_expected_on_it(unit, story):
    """[FU-09] The booking was never moved to the day on which the patient came.

    Planted bug that this caught: a visit taken to be seen on the day booked, whatever was said.
    """
    said_on = civil_day(story.now_ms, "Europe/London")
    far = add_days(said_on, 365)
    with unit.store.transaction():
        story.session("far", far)
        story.book(VISIT, "clinic_session/far", far)
        story.write(VISIT, status="attended")

    (visit,) = read_clinic(unit.store, time_zone="Europe/London").visits
    assert visit.seen_on == said_on
    assert [(one.on, one.what) for one in visit.outcomes] == [(said_on, "attended")]
    assert str(_only(_fetch(unit, _add(unit)["token"]))["status"]) == "CANCELLED"


def test_who_was_noted_late_was_seen_on_the_day_booked(unit, story):
    """[FU-09]"""
    with unit.store.transaction():
        story.write(VISIT, status="attended")

    (visit,) = read_clinic(unit.store, time_zone="Europe/London").visits
    assert visit.seen_on == "2026-03-20" < civil_day(story.now_ms, "Europe/London")
