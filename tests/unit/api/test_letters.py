"""Letters: made from the record as it stands when they are made, read back from the PDF.

Planted bugs that this caught: the death looked for on the visit alone and not on the patient's
others, a letter for a booking that was moved in between, one letter that cannot be printed taking
all others with it, the address set at the page's edge, a timestamp from the clock.
"""

import base64
import io
import json

import pypdf
import pytest

from api.clinical_rules.letter_settings import SettingRow, read_letter_settings
from api.use_cases.add_staff import add_staff
from api.use_cases.release_rule_files import propose_rule_file
from api.use_cases.server_log import Chance
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

PATIENT, VISIT = "patient/p-1", "visit/v-1"
PT_PER_MM = 72 / 25.4


def settings_file(version=1001, **items):
    items = {
        "unit_name": "Tarn Hollow Hospital",
        "unit_address": "Mill Road 1\nTarn Hollow",
        "unit_phone": "01632 960 001",
        **items,
    }
    return json.dumps(
        {
            "name": "letters/settings",
            "version": version,
            "status": "approved",
            "in_force_from": "2026-01-01",
            "source": {"title": "Ours", "edition": "1", "page": ""},
            "approved_by": [],
            "unit": "words",
            "rows": [
                {"item": item, "words": words, "source": "ours", "basis": "unit-setting"}
                for item, words in items.items()
            ],
            "note": "",
        }
    ).encode()


def propose(store, content):
    draws = iter(range(1_000, 9_999))

    def chance():
        number = next(draws)
        return Chance(f"id{number}", "eps1", f"{number:032x}", NOON_MS)

    lead = add_staff(store, "Wren Quillfeather", "endoscopist", chance=chance())
    propose_rule_file(store, content, by=lead, chance=chance())


@pytest.fixture
def told(unit):
    propose(unit.store, settings_file())
    story = Story(unit.store, now_ms=NOON_MS)
    with unit.store.transaction():
        story.write(
            PATIENT,
            family_name="Greyfen",
            given_name="Tobias",
            born_on="1958-07-04",
            local_id="TH-0042",
            phone="01632 960 042",
            address="12 Larch Lane\nUpper Tarn\nTN1 2AB",
            needs=["escort", "blood-thinner-ask-nurse"],
        )
        story.session("one", "2026-03-24", place="Clinic room 4")
        story.session("two", "2026-03-31", place="Clinic room 4")
        story.write(VISIT, patient=PATIENT, label="Scope check with ultrasound", status="to-book")
        story.book(VISIT, "clinic_session/one", "2026-03-24")
    return story


def _ask(unit, headers, kind="appointment", *visits):
    answer = unit.client.post(
        "/api/letters", json={"kind": kind, "visits": list(visits) or [VISIT]}, headers=headers
    )
    assert answer.status_code == 200, answer.text
    return answer.json()


def _texts(answer):
    reader = pypdf.PdfReader(io.BytesIO(base64.b64decode(answer["pdf"])))
    return [page.extract_text() for page in reader.pages]


def _why(answer):
    assert answer["pdf"] is None
    (one,) = answer["withheld"]
    assert one["because"]
    return one["reason"]


def test_an_appointment_says_when_where_and_whom_to_call(unit, told, a):
    """[FU-08] [UX-19]"""
    answer = _ask(unit, a)
    (text,) = _texts(answer)

    assert answer["withheld"] == []
    for part in (
        "Tobias Greyfen",
        "12 Larch Lane",
        "Tuesday 24 March 2026",
        "09:30",
        "Clinic room 4",
        "01632 960 001",
        "take you home",
        "ask our nurse about your tablets",
        "TH-0042",
        "Monday 16 March 2026",
    ):
        assert part in text.replace("\n", " "), part


def test_a_letter_names_no_finding_no_birth_date_and_no_kind_of_visit(unit, told, a):
    """[FU-08] [HAZ-47] Also not in what the file says of itself."""
    answer = _ask(unit, a)
    reader = pypdf.PdfReader(io.BytesIO(base64.b64decode(answer["pdf"])))
    whole = " ".join(
        [*_texts(answer), str(reader.metadata), reader.xmp_metadata.stream.get_data().decode()]
    )

    for word in ("ultrasound", "scope", "1958", "varix", "coil", "liver", "960 042"):
        assert word not in whole.lower(), word
    assert "Greyfen" not in str(reader.metadata)


def test_the_unit_may_let_a_letter_name_the_visit(unit, told, a):
    """[FU-08] A setting of the unit; a diagnosis has no field at all."""
    propose(unit.store, settings_file(1002, names_visit="yes"))

    assert "Scope check with ultrasound" in _texts(_ask(unit, a))[0]


@pytest.mark.parametrize("device_role", ["bedside", "booking"])
def test_every_device_of_the_unit_may_ask_and_nobody_else(unit, told, device_role):
    """[FU-11]"""
    headers = unit.join("desk-x", device_role)
    assert _ask(unit, headers)["letters"][0]["visit"] == VISIT
    body = {"kind": "appointment", "visits": [VISIT]}
    assert unit.client.post("/api/letters", json=body).status_code == 401


def test_the_address_lies_in_the_window_and_nothing_else_does(unit, told, a):
    """[FU-08] DIN 5008:2020, form B: 20 mm from the left, 45 mm from the top, 85 mm by 45 mm."""
    reader = pypdf.PdfReader(io.BytesIO(base64.b64decode(_ask(unit, a)["pdf"])))
    height = float(reader.pages[0].mediabox.height)
    seen = []

    def look(text, page, line, _font, _size):
        if text.strip():
            x = line[4] * page[0] + line[5] * page[2] + page[4]
            y = line[4] * page[1] + line[5] * page[3] + page[5]
            seen.append((text.strip(), x / PT_PER_MM, (height - y) / PT_PER_MM))

    reader.pages[0].extract_text(visitor_text=look)
    in_window = [text for text, x, y in seen if 20 <= x <= 105 and 45 <= y <= 90]
    recipient = [text for text, x, y in seen if 20 <= x <= 105 and 62.7 <= y <= 90]

    wanted = "Tobias Greyfen 12 Larch Lane Upper Tarn TN1 2AB"
    assert " ".join(" ".join(recipient).split()) == wanted
    # Above it stands the sender alone, in one small line.
    sender = " ".join(in_window)[: -len(" ".join(recipient))]
    assert sender.strip() == "Tarn Hollow Hospital · Mill Road 1 · Tarn Hollow"
    assert all(x > 24.9 for _, x, y in seen if 45 <= y <= 90)


def test_the_same_letter_is_the_same_bytes_tagged_and_archivable(unit, told, a):
    """[FU-08] PDF/UA-1 and PDF/A-2a, as the file says; and a day later it bears another date."""
    first, second = _ask(unit, a)["pdf"], _ask(unit, a)["pdf"]
    reader = pypdf.PdfReader(io.BytesIO(base64.b64decode(first)))
    xmp = reader.xmp_metadata.stream.get_data().decode()

    assert first == second
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert ("pdfuaid:part>1<" in xmp, "pdfaid:part>2<" in xmp, "pdfaid:conformance>A<" in xmp) == (
        (True,) * 3
    )
    assert "2026-03-16T12:00:00" in xmp


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"status": "ended", "ended_because": "died"}, "died"),
        ({"status": "ended", "ended_because": "transferred"}, "transferred"),
        ({"status": "ended", "ended_because": "declined"}, "ended"),
        ({"status": "ended", "ended_because": "not-needed"}, "ended"),
        ({"status": "cancelled"}, "not-booked"),
        ({"status": "attended"}, "not-booked"),
    ],
)
def test_the_state_is_looked_at_again_when_the_letter_is_made(unit, told, a, fields, reason):
    """[HAZ-45] Between the asking and the printing somebody wrote it down."""
    assert _ask(unit, a)["pdf"] is not None
    with unit.store.transaction():
        told.write(VISIT, **fields)

    assert _why(_ask(unit, a)) == reason


@pytest.mark.parametrize("kind", ["appointment", "missed", "please_call"])
@pytest.mark.parametrize("why", ["died", "transferred"])
def test_a_death_or_transfer_told_on_another_visit_withholds_every_letter(unit, told, a, why, kind):
    """[HAZ-45]"""
    with unit.store.transaction():
        told.write("visit/v-2", patient=PATIENT, status="ended", ended_because=why)

    assert _why(_ask(unit, a, kind)) == why


def test_who_is_not_to_be_contacted_gets_no_letter(unit, told, a):
    """[FU-07] [HAZ-45]"""
    with unit.store.transaction():
        told.write(PATIENT, do_not_contact=True)
    assert _why(_ask(unit, a)) == "do-not-contact"
    with unit.store.transaction():
        told.write(PATIENT, do_not_contact=False)
    assert _ask(unit, a)["withheld"] == []


@pytest.mark.parametrize(
    ("record", "fields"),
    [
        (PATIENT, {"address": "1 Other Street"}),
        (PATIENT, {"family_name": "Greyfell"}),
        (PATIENT, {"needs": ["wheelchair"]}),
        (
            VISIT,
            {"booking": {"session": "clinic_session/two", "on": "2026-03-31", "time": "09:00"}},
        ),
    ],
)
def test_two_answers_hold_the_letter_back_until_somebody_chose(unit, told, a, record, fields):
    """[CF3] [HAZ-45]"""
    with unit.store.transaction():
        Story(unit.store, device="desk-b", now_ms=NOON_MS + 9).write(record, sees=False, **fields)

    assert _why(_ask(unit, a)) == "two-answers"


@pytest.mark.parametrize(
    ("number", "ended", "reason"),
    [
        (" th-0042 ", ["died"], "same-number-died"),
        ("TH-0042", ["died", "not-needed"], "two-answers"),
        ("TH-0042", ["not-needed"], None),
        ("TH-0043", ["died"], None),
        ("", ["died"], None),
    ],
)
def test_a_death_on_another_record_with_the_number_withholds_the_letter(
    unit, told, a, number, ended, reason
):
    """[HAZ-45] One person entered twice: the death stands on the other record.

    Planted bug that this caught: records compared by their number as it was typed.
    """
    with unit.store.transaction():
        told.write("patient/p-2", family_name="Greyfen", local_id=number)
        told.write("visit/v-2", patient="patient/p-2", status="ended", ended_because=ended[0])
        for because in ended[1:]:
            other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 9)
            other.write("visit/v-2", sees=False, ended_because=because)

    answer = _ask(unit, a)

    assert [one["reason"] for one in answer["withheld"]] == ([reason] if reason else [])


def test_a_death_on_a_record_whose_number_has_two_answers_withholds_the_letter(unit, told, a):
    """[HAZ-45] Planted bug that this caught: the number shown alone compared."""
    with unit.store.transaction():
        told.write("patient/p-2", family_name="Greyfen", local_id="TH-0042")
        told.write("visit/v-2", patient="patient/p-2", status="ended", ended_because="died")
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 9)
        other.write("patient/p-2", sees=False, local_id="TH-0044")

    assert _why(_ask(unit, a)) == "same-number-died"


def test_two_phone_numbers_hold_no_letter_back(unit, told, a):
    """[CF3] The letter goes by post; a reminder would be held back."""
    with unit.store.transaction():
        Story(unit.store, device="desk-b", now_ms=NOON_MS + 9).write(PATIENT, sees=False, phone="1")

    assert _ask(unit, a)["withheld"] == []


def test_a_booking_that_was_moved_in_between_withholds_the_letter(unit, told, a):
    """[HAZ-45] The letter was asked for with the day that stood on the screen."""
    seen = {"visit": VISIT, "on": "2026-03-24", "time": "09:30"}
    assert _ask(unit, a, "appointment", seen)["withheld"] == []
    with unit.store.transaction():
        told.book(VISIT, "clinic_session/two", "2026-03-31")

    assert _why(_ask(unit, a, "appointment", seen)) == "booking-changed"
    assert "Tuesday 31 March 2026" in _texts(_ask(unit, a, "moved"))[0]


@pytest.mark.parametrize("change", [{"closed_because": "holiday"}, {"held": {"on": "2026-03-25"}}])
def test_a_session_that_was_closed_or_moved_withholds_the_letter(unit, told, a, change):
    """[HAZ-45]"""
    with unit.store.transaction():
        told.write("clinic_session/one", **change)

    assert _why(_ask(unit, a)) == "session-changed"


def test_a_session_that_was_struck_or_never_heard_of_withholds_the_letter(unit, told, a):
    """[HAZ-45] [BK7] The patient would come to a room in which nobody expects anybody.

    Planted bug that this caught: a session that is not on record taken to be held.
    """
    with unit.store.transaction():
        told.book(VISIT, "clinic_session/unheard", "2026-03-24")
    assert _why(_ask(unit, a)) == "session-changed"
    with unit.store.transaction():
        told.book(VISIT, "clinic_session/one", "2026-03-24")
    assert _ask(unit, a)["withheld"] == []
    with unit.store.transaction():
        written = [one.reference for one in told.log if one.record == "clinic_session/one"]
        told.write("clinic_session/one", sees=False, retract=tuple(written))
    assert _why(_ask(unit, a)) == "session-changed"


@pytest.mark.parametrize(
    ("kind", "reason"),
    [("moved", "not-moved"), ("cancelled", "not-cancelled"), ("missed", "not-missed")],
)
def test_a_letter_that_does_not_fit_the_visit_is_withheld(unit, told, a, kind, reason):
    assert _why(_ask(unit, a, kind)) == reason


def test_each_kind_says_what_happened(unit, told, a):
    """[FU-08]"""
    assert "plan your next visit" in _texts(_ask(unit, a, "please_call"))[0]
    with unit.store.transaction():
        told.write(VISIT, status="cancelled")
    assert "on Tuesday 24 March 2026 is off" in _texts(_ask(unit, a, "cancelled"))[0]
    with unit.store.transaction():
        told.write(VISIT, status="no-show")
    assert "a visit with us on Tuesday 24 March 2026" in _texts(_ask(unit, a, "missed"))[0]


def test_a_day_that_is_past_and_an_unknown_visit_are_withheld(unit, told, a):
    with unit.store.transaction():
        told.session("old", "2026-03-15")
        told.book(VISIT, "clinic_session/old", "2026-03-15")

    assert _why(_ask(unit, a)) == "day-past"
    assert _why(_ask(unit, a, "appointment", "visit/nobody")) == "not-on-record"


@pytest.mark.parametrize(
    ("address", "reason"),
    [("", "no-address"), ("\n \n", "no-address"), ("1\n2\n3\n4\n5\n6", "address-too-long")],
)
def test_an_address_that_is_none_or_leaves_the_window_withholds_the_letter(
    unit, told, a, address, reason
):
    """[FU-08]"""
    with unit.store.transaction():
        told.write(PATIENT, address=address)

    assert _why(_ask(unit, a)) == reason


def test_what_the_font_lacks_is_told_and_holds_no_other_letter_back(unit, told, a):
    """[FU-08] Never a blank where a name should stand."""
    with unit.store.transaction():
        told.write("patient/p-2", family_name="漢", given_name="Li", address="1 Road")
        told.write("visit/v-2", patient="patient/p-2", status="to-book")
        told.book("visit/v-2", "clinic_session/one", "2026-03-24")

    answer = _ask(unit, a, "appointment", "visit/v-2", VISIT)

    assert [one["visit"] for one in answer["letters"]] == [VISIT]
    (withheld,) = answer["withheld"]
    assert (withheld["visit"], withheld["reason"]) == ("visit/v-2", "cannot-print")
    assert "漢" in withheld["because"]
    assert len(_texts(answer)) == 1


def test_a_name_is_never_taken_for_a_command_of_the_layout(unit, told, a):
    name = '#pagebreak() *x* $y$ \\ @z "q" #read("/etc/passwd")'
    with unit.store.transaction():
        told.write(PATIENT, family_name=name)

    (text,) = _texts(_ask(unit, a))

    assert name in text.replace("\n", " ")


@pytest.mark.parametrize(
    ("asked", "language", "is_draft", "part"),
    [
        ("de", "de", True, "Dienstag, 24. März 2026"),
        ("es-MX", "es", True, "martes 24 de marzo de 2026"),
        ("pl", "en", False, "Tuesday 24 March 2026"),
    ],
)
def test_a_patient_reads_their_language_and_the_desk_is_told_of_a_draft(
    unit, told, a, asked, language, is_draft, part
):
    """[FU-08] The letter itself bears no mark."""
    with unit.store.transaction():
        told.write(PATIENT, letter_language=asked)

    answer = _ask(unit, a)

    (made,) = answer["letters"]
    assert (made["asked_language"], made["language"], made["is_draft"]) == (
        asked,
        language,
        is_draft,
    )
    (text,) = _texts(answer)
    assert part in text
    assert "draft" not in text.lower()


def test_the_same_visit_twice_is_one_letter_and_pages_follow_the_order_asked(unit, told, a):
    with unit.store.transaction():
        told.write("patient/p-2", family_name="Oxbarrow", given_name="Ann", address="1 Road")
        told.write("visit/v-2", patient="patient/p-2", status="to-book")
        told.book("visit/v-2", "clinic_session/one", "2026-03-24")

    answer = _ask(unit, a, "appointment", "visit/v-2", VISIT, VISIT)

    assert [(one["visit"], one["page"]) for one in answer["letters"]] == [
        ("visit/v-2", 1),
        (VISIT, 2),
    ]
    assert ["Oxbarrow" in text for text in _texts(answer)] == [True, False]


def test_without_a_phone_number_no_letter_is_made(unit, a):
    """[FU-08] Nobody could call back."""
    answer = unit.client.post(
        "/api/letters", json={"kind": "appointment", "visits": [VISIT]}, headers=a
    )

    assert answer.status_code == 422
    assert "unit_phone" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("item", "words"),
    [
        ("address_top_mm", "29"),
        ("address_top_mm", "81"),
        ("address_left_mm", "wide"),
        ("calendar_minutes", "4"),
        ("names_visit", "perhaps"),
    ],
)
def test_a_setting_that_makes_no_sense_is_refused(item, words):
    from api.clinical_rules.errors import RuleFileError

    with pytest.raises(RuleFileError, match=item):
        read_letter_settings([SettingRow(item=item, words=words)])


def test_no_name_and_no_booking_reaches_the_log(unit, told, a, caplog):
    """[HAZ-47] [SEC-20] Neither of letters made nor of one that could not be printed."""
    caplog.set_level("DEBUG")
    with unit.store.transaction():
        told.write("patient/p-2", family_name="漢Fennimore", given_name="Li", address="9 Elm Row")
        told.write("visit/v-2", patient="patient/p-2", status="to-book")
        told.book("visit/v-2", "clinic_session/one", "2026-03-24")
    answer = _ask(unit, a, "appointment", "visit/v-2", VISIT, "visit/nobody")
    assert len(answer["withheld"]) == 2
    for path in ("/api/reminders", "/api/fhir/visits", "/api/failsafe-list", "/api/clinic-weeks"):
        assert unit.client.get(path, headers=a).status_code == 200

    said = caplog.text + str([record.args for record in caplog.records])
    for word in ("Greyfen", "Fennimore", "Elm Row", "1958", "TH-0042", "960 042", "2026-03-24"):
        assert word not in said
