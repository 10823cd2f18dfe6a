"""Past cases from a file: what is refused in which words, what is taken, what undoing does.

Planted bugs that this caught: centimetres taken for millimetres, a lot "unknown" kept as the name
of a lot, a next visit without an owner, an undo that strikes what people had built on, and a
second import of the same file, a corrected file that doubles whom the first had brought, and an
undo that strikes the patient under whom people put another's record; the day on which a file was
taken told as the day of a death.
"""

import csv
import io
import random
import time

import pytest

from api.documents.past_case_columns import list_columns
from api.documents.past_case_file import MOST_ROWS, write_template
from api.use_cases.add_staff import add_staff
from api.use_cases.check_follow_up import check_follow_up
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.import_cases import look_at_past_cases, take_past_cases, undo_import
from api.use_cases.read_registry_cases import read_registry_records
from api.use_cases.verify_log import verify_log
from sync.merge import shown_value
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

ON = "2026-03-16"
HEADER = (
    "local_number,family_name,given_name,born_on,procedure_on,short_axis_cm,coil_1_lot,"
    "coil_1_loop_mm,bilirubin_mg_dl,labs_taken_on,last_visit_on,last_visit_obliterated,next_visit_on"
)
ROW = (
    "TH-1,Larkwater,Imelda,1961-05-04,2025-03-01,1.7,L-1,15,1.2,2025-02-27,2025-06-01,no,2026-06-01"
)


@pytest.fixture
def draw(unit):
    def draw_chance():
        environment = unit.environment
        return environment.draw_chance()

    return draw_chance


@pytest.fixture
def by(unit, draw):
    return add_staff(unit.store, "Otis Bramblewick", "endoscopist", chance=draw())


def _file(*rows, header=HEADER):
    return "\r\n".join((header, *rows)).encode()


def _take(unit, by, draw, content):
    return take_past_cases(
        unit.store, "past.csv", content, by=by, because="registry", on=ON, draw_chance=draw
    )


def _of(unit, kind):
    with unit.store.transaction():
        return [one for one in unit.store.views.of_kind(kind) if not one.is_entered_in_error]


def _value(state, field):
    return shown_value(state.fields.get(field))


def test_a_look_writes_nothing(unit, by):
    before = unit.store.operations.count()
    report = look_at_past_cases(unit.store, _file(ROW), on=ON)

    assert (report.rows, report.can_be_taken, report.faults, report.record) == (1, 1, [], "")
    assert unit.store.operations.count() == before


def test_a_row_becomes_a_case_with_its_units_and_its_next_act(unit, by, draw):
    report = _take(unit, by, draw, _file(ROW))
    (case,) = _of(unit, "case")
    (target,) = _of(unit, "target")
    (coil,) = _of(unit, "coil_placed")
    (lab,) = _of(unit, "lab_result")

    assert _value(case, "imported_in") == report.record
    assert _value(target, "size") == {"short_axis_um": 17_000, "origin": "earlier-record"}
    assert _value(coil, "device") == {"lot": "L-1"}
    assert _value(lab, "result") == {
        "value_milli": 1_200,
        "unit": "mg/dL",
        "origin": "earlier-record",
        "taken_on": "2025-02-27",
    }
    found = check_follow_up(unit.store, on=ON)
    assert (found.checked, found.with_next_act, found.gaps) == (1, 1, ())
    assert verify_log(unit.store).findings == ()


def test_a_row_without_a_next_visit_is_said_and_found_by_the_check(unit, by, draw):
    report = _take(unit, by, draw, _file(ROW.replace("2026-06-01", "")))

    assert report.without_next == [2]
    assert [one.kind for one in check_follow_up(unit.store, on=ON).gaps] == ["no-next-visit"]


@pytest.mark.parametrize("lot", ["n/a", "?", "Lot unbekannt", "ninguno", "illegible"])
def test_any_word_for_nobody_knows_is_an_unknown_lot_and_told(unit, by, draw, lot):
    """[HAZ-46] [LT13] Caught: "n/a" taken as the name of a lot, so that no recall listed it."""
    report = _take(unit, by, draw, _file(ROW.replace("L-1", lot), ROW.replace("TH-1", "TH-2")))

    assert report.lot_unknown == [2]
    devices = [_value(coil, "device") for coil in _of(unit, "coil_placed")]
    assert sorted(devices, key=str) == [{"lot": "L-1"}, {"lot_unknown": True}]


def test_an_unknown_lot_is_said_to_be_unknown(unit, by, draw):
    _take(unit, by, draw, _file(ROW.replace("L-1", "Unknown")))
    (coil,) = _of(unit, "coil_placed")

    assert _value(coil, "device") == {"lot_unknown": True}


@pytest.mark.parametrize(
    ("changed", "column", "words"),
    [
        (("TH-1", ""), "local_number", "empty"),
        (("2025-03-01", "1.3.2025"), "procedure_on", "2024-03-31"),
        (("2025-03-01", "2026-03-17"), "procedure_on", "still to come"),
        (("1961-05-04", "2025-03-02"), "born_on", "born after"),
        (("1.7", "17"), "short_axis_cm", "outside 0 to 8"),
        (("1.7", "1,7 cm"), "", "cells"),
        (("1.7", "1.7cm"), "short_axis_cm", "no unit"),
        (("L-1", ""), "coil_1_lot", "unknown"),
        (("2025-06-01", "2025-02-28"), "last_visit_on", "before the procedure"),
        (("2026-06-01", "2025-06-01"), "next_visit_on", "not after"),
        (("2025-02-27", ""), "labs_taken_on", "blood was taken"),
        ((",no,", ",gone,"), "last_visit_obliterated", "Write one of yes, no"),
    ],
)
def test_a_cell_that_cannot_be_taken_gets_line_column_and_a_sentence(
    unit, by, changed, column, words
):
    report = look_at_past_cases(unit.store, _file(ROW.replace(*changed)), on=ON)
    faults = [one for one in report.faults if one.column == column and words in one.sentence]

    assert report.can_be_taken == 0
    assert faults, report.faults
    assert faults[0].line == 2


LATER_HEADER = (
    "local_number,born_on,procedure_on,delivered,adverse_event,adverse_event_on,rebleed_on,"
    "rebleed_source,last_visit_on,next_visit_on,ended_because,ended_on"
)
LATER_ROW = (
    "TH-1,1961-05-04,2025-03-01,yes,fever,2025-03-02,2025-04-03,treatment-ulcer,2025-04-10,,"
    "died,2025-05-06"
)


def test_what_came_later_is_written_on_its_days_and_read_as_outcomes(unit, by, draw):
    """[RG15] [RG16] [FG6] A file ends no follow-up: a clinician confirms it on a tablet."""
    report = _take(unit, by, draw, _file(LATER_ROW, header=LATER_HEADER))
    (case,) = _of(unit, "case")
    fever, bleed = sorted(_of(unit, "complication"), key=lambda one: one.record)
    (closed,) = _of(unit, "step_event")
    records = read_registry_records(unit.store, on=ON)
    told = {one.kind: one.fields for one in records}
    events = [one.fields for one in records if one.kind == "registry_event"]

    assert report.without_next == []
    assert _value(fever, "facts") == {"on": "2025-03-02"}
    assert (_value(fever, "at"), _value(bleed, "at")) == (None, None)
    assert _value(bleed, "bleed_source") == "treatment-ulcer"
    assert closed.record == f"step_event/{case.record.partition('/')[2]}-close-out"
    assert [
        (one["event"], one["happened_on"], one.get("source"), one["doubts"]) for one in events
    ] == [
        ("other", "2025-03-02", None, []),
        ("rebleed", "2025-04-03", "treatment-ulcer", []),
    ]
    assert told["registry_patient"]["died_on"] == told["registry_case"]["seen_on"] == "2025-05-06"
    assert told["registry_case"]["delivered"] is True
    gaps = check_follow_up(unit.store, on=ON).gaps
    assert {one.kind for one in gaps} == {"no-next-visit", "end-to-confirm"}
    assert verify_log(unit.store).findings == ()


@pytest.mark.parametrize(
    ("header", "cell", "asked_on"),
    [
        ("rebleed_on", "", "2025-06-01"),
        ("rebleed_on", "2025-04-03", "2025-04-03"),
        ("indication", "", "2025-03-01"),
    ],
)
def test_an_empty_cell_of_a_column_of_bleeds_says_that_there_was_none(
    unit, by, draw, header, cell, asked_on
):
    """[RG18] Until the last visit; a file without the column says nothing of bleeds.

    The planted bug it has caught: nobody asked, whatever columns the file had.
    """
    content = _file(f"{ROW},none,{cell}", header=f"{HEADER},adverse_event,{header}")
    _take(unit, by, draw, content)
    told = {one.kind: one.fields for one in read_registry_records(unit.store, on=ON)}

    assert told["registry_case"]["asked_on"] == asked_on
    assert told["registry_case"]["seen_on"] == "2025-06-01"
    assert told["registry_case"]["doubts"] == ([] if header == "rebleed_on" else ["bleeds"])


@pytest.mark.parametrize("delivered", ["yes", ""])
@pytest.mark.parametrize("flow", ["none", "reduced", "unchanged", ""])
def test_the_flow_at_the_end_is_told_where_the_file_tells_it(unit, by, draw, delivered, flow):
    """[RG4] Each answer stands alone; without one nobody said anything at close-out."""
    header = "local_number,born_on,procedure_on,delivered,flow_at_end"
    _take(unit, by, draw, _file(f"TH-1,1961-05-04,2025-03-01,{delivered},{flow}", header=header))
    (told,) = (
        one.fields
        for one in read_registry_records(unit.store, on=ON)
        if one.kind == "registry_case"
    )

    assert told.get("flow_at_end", "") == flow
    assert told.get("delivered", "") == (True if delivered else "")
    assert len(_of(unit, "step_event")) == (1 if flow or delivered else 0)


def test_who_was_transferred_was_known_of_until_then_and_did_not_die(unit, by, draw):
    """[RG16]"""
    row = LATER_ROW.replace("died,", "transferred,").replace(",yes,", ",no,")
    _take(unit, by, draw, _file(row, header=LATER_HEADER))
    told = {one.kind: one.fields for one in read_registry_records(unit.store, on=ON)}

    assert "died_on" not in told["registry_patient"]
    assert told["registry_patient"]["doubts"] == []
    assert told["registry_case"]["seen_on"] == "2025-05-06"
    assert told["registry_case"]["delivered"] is False


@pytest.mark.parametrize(
    ("on", "told"), [("2025-02-28", None), ("2025-03-01", "other"), ("2025-03-02", "rebleed")]
)
def test_a_bleed_that_a_file_tells_by_its_day_is_what_that_day_makes_it(unit, by, draw, on, told):
    """[RG15] On the day of the procedure an event of it, later a rebleed; before it a fault."""
    row = f"TH-1,1961-05-04,2025-03-01,,bleeding,{on},,,,,,"
    content = _file(row, header=LATER_HEADER)
    if told is None:
        (fault,) = look_at_past_cases(unit.store, content, on=ON).faults
        assert "before the procedure" in fault.sentence
        return
    _take(unit, by, draw, content)
    (event,) = (
        one.fields
        for one in read_registry_records(unit.store, on=ON)
        if one.kind == "registry_event"
    )

    assert (event["event"], event["happened_on"]) == (told, on)


@pytest.mark.parametrize(
    ("changed", "column", "words"),
    [
        ((",yes,", ",perhaps,"), "delivered", "Write one of yes, no"),
        ((",fever,", ",none,"), "adverse_event", "no adverse event"),
        ((",fever,", ",,"), "adverse_event", "no adverse event"),
        (("2025-03-02", "2025-02-28"), "adverse_event_on", "before the procedure"),
        (("2025-04-03", "2025-03-01"), "rebleed_on", "after the day of the procedure"),
        (("2025-04-03", ""), "rebleed_on", "day of its bleed"),
        (("2025-04-03", "2026-03-17"), "rebleed_on", "still to come"),
        (("treatment-ulcer", "ulcer"), "rebleed_source", "Write one of gastric-varix"),
        (("2025-05-06", ""), "ended_on", "needs its day"),
        (("2025-05-06", "2025-04-09"), "ended_on", "before the last day"),
        (("2025-05-06", "2026-03-17"), "ended_on", "still to come"),
        (("died,", ","), "ended_because", "needs its reason"),
        (("died,", "not-needed,"), "ended_because", "Write one of died, transferred, declined"),
        (("2025-04-10,,", "2025-04-10,2026-06-01,"), "next_visit_on", "has no next visit"),
    ],
)
def test_what_cannot_be_true_of_later_events_is_a_fault(unit, by, changed, column, words):
    content = _file(LATER_ROW.replace(*changed), header=LATER_HEADER)
    report = look_at_past_cases(unit.store, content, on=ON)
    faults = [one for one in report.faults if one.column == column and words in one.sentence]

    assert report.can_be_taken == 0
    assert faults, report.faults


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no row"),
        (HEADER.encode(), "no row"),
        ("naïve".encode("latin-1") + b",x\n1,2", "not UTF-8"),
        (b"local_number;procedure_on\n1;2", "semicolons"),
        (b'local_number,procedure_on\n"x,2025-01-01', "quotes"),
        (b"a\x00b,c\n1,2", "not text"),
        (b"local_number,procedure_on,short_axis\n1,2025-01-01,5", "short_axis_cm or short_axis_mm"),
        (b"local_number,procedure_on,bilirubin\n1,2025-01-01,5", "bilirubin_mg_dl or bilirubin_um"),
        (b"local_number,procedure_on,sodium_mmol_l,sodium_mmol_l\n1,2,3,4", "mean the same"),
        (b"local_number,procedure_on,short_axis_mm,short_axis_cm\n1,2,3,4", "mean the same"),
        (b"local_number,family_name\n1,x", "procedure_on is missing"),
        (b"local_number,procedure_on\n" + b"1,2025-01-01\n" * (MOST_ROWS + 3), "Split it"),
        (b"local_number,procedure_on\n" + b"1,2025-01-01\n" * 1_000_000, "Split it"),
    ],
)
def test_a_file_that_cannot_be_read_gets_one_sentence(unit, by, content, words):
    with pytest.raises(CalculationError, match=words):
        look_at_past_cases(unit.store, content, on=ON)


def test_a_mark_of_bytes_before_the_header_and_quoted_cells_are_read(unit, by):
    content = b"\xef\xbb\xbf" + _file(ROW.replace("Larkwater", '"Lark, ""water"""'))

    assert look_at_past_cases(unit.store, content, on=ON).can_be_taken == 1


def test_the_template_is_read_as_one_case(unit, by):
    content = write_template(list_columns(unit.store.catalogue)).encode()
    report = look_at_past_cases(unit.store, content, on=ON)

    assert (report.rows, report.can_be_taken, report.faults) == (1, 1, [])


def test_the_same_file_twice_is_refused_until_it_was_undone(unit, by, draw):
    report = _take(unit, by, draw, _file(ROW))
    with pytest.raises(NotAllowedError, match="taken before"):
        _take(unit, by, draw, _file(ROW))
    undo_import(unit.store, report.record, by=by, because="wrong file", draw_chance=draw)

    assert _take(unit, by, draw, _file(ROW)).record != report.record


def test_who_may_be_on_record_is_listed_and_not_joined(unit, by, draw):
    with unit.store.transaction():
        story = Story(unit.store, now_ms=NOON_MS)
        story.write("patient/p-1", local_id="th- 1", family_name="Other", born_on="1950-01-01")
        story.write("patient/p-2", family_name="larkwater", born_on="1961-05-04")
    report = _take(unit, by, draw, _file(ROW))

    assert [(one.patient, one.because) for one in report.similar] == [
        ("patient/p-1", "same local number"),
        ("patient/p-2", "same family name and birth date"),
    ]
    assert len(_of(unit, "patient")) == 3


def test_two_rows_of_one_person_are_one_patient_and_of_two_a_fault(unit, by, draw):
    again = ROW.replace("2025-03-01", "2025-04-01")
    stranger = ROW.replace("Larkwater", "Reedmace")
    report = _take(unit, by, draw, _file(ROW, again, stranger))

    assert report.one_person == [[2, 3]]
    assert [(one.line, one.column) for one in report.faults] == [(4, "local_number")]
    assert (len(_of(unit, "patient")), len(_of(unit, "case"))) == (1, 2)


def test_undoing_strikes_all_but_what_people_built_on(unit, by, draw):
    second = ROW.replace("TH-1", "TH-2").replace("Larkwater", "Reedmace")
    report = _take(unit, by, draw, _file(ROW, second))
    first, other = sorted(one.record for one in _of(unit, "case"))
    with unit.store.transaction():
        Story(unit.store, now_ms=NOON_MS + 90).write("complication/x", case=other, what="fever")
    undone = undo_import(unit.store, report.record, by=by, because="wrong", draw_chance=draw)

    assert undone.kept == ["complication/x"]
    assert [one.record for one in _of(unit, "case")] == [other]
    assert len(_of(unit, "patient")) == len(_of(unit, "coil_placed")) == 1
    assert undone.struck > 5
    assert first != other
    with pytest.raises(NotAllowedError, match="no import that stands"):
        undo_import(unit.store, report.record, by=by, because="again", draw_chance=draw)


def test_undoing_keeps_the_patient_under_whom_a_record_of_the_import_was_put(unit, by, draw):
    second = ROW.replace("TH-1", "TH-2").replace("Larkwater", "Reedmace")
    report = _take(unit, by, draw, _file(ROW, second))
    first, other = sorted(one.record for one in _of(unit, "case"))
    (moved,) = (one.record for one in _of(unit, "target") if _value(one, "case") == first)
    with unit.store.transaction():
        Story(unit.store, now_ms=NOON_MS + 90).write(moved, case=other)
    undone = undo_import(unit.store, report.record, by=by, because="wrong", draw_chance=draw)

    assert undone.kept == [moved]
    assert [one.record for one in _of(unit, "case")] == [first, other]


def test_a_corrected_file_brings_nobody_twice(unit, by, draw):
    report = _take(unit, by, draw, _file(ROW))
    (case,) = _of(unit, "case")
    other_day = ROW.replace("2025-03-01", "2025-03-02")
    corrected = _file(ROW.replace("TH-1", "th-1").replace("L-1", "L-2"), other_day)
    second = look_at_past_cases(unit.store, corrected, on=ON)

    assert [(one.line, one.column, one.sentence) for one in second.faults] == [
        (
            2,
            "local_number",
            f"This case was imported already ({case.record}). Leave the row out, or undo that "
            "import first.",
        )
    ]
    assert second.can_be_taken == 1
    _take(unit, by, draw, corrected)
    assert len(_of(unit, "case")) == 2
    undo_import(unit.store, report.record, by=by, because="wrong file", draw_chance=draw)
    assert look_at_past_cases(unit.store, _file(ROW), on=ON).faults == []


def test_a_case_that_people_recorded_hinders_no_import(unit, by):
    with unit.store.transaction():
        story = Story(unit.store, now_ms=NOON_MS)
        story.write("patient/p-1", local_id="TH-1")
        story.write("case/c-1", patient="patient/p-1", procedure_on="2025-03-01")

    assert look_at_past_cases(unit.store, _file(ROW), on=ON).faults == []


def test_no_agent_is_no_implant(unit, by):
    """Of coils alone the adhesive columns stay empty."""
    header = "local_number,procedure_on,coil_1_lot,adhesive_agent,adhesive_lot"
    content = _file("TH-1,2025-03-01,L-1,none,unknown", header=header)
    report = look_at_past_cases(unit.store, content, on=ON)

    assert [(one.line, one.column, one.sentence) for one in report.faults] == [
        (
            2,
            "adhesive_agent",
            "Write one of 2-octyl-cyanoacrylate, n-butyl-2-cyanoacrylate, other. Where coils alone "
            "were placed, leave every adhesive column empty.",
        )
    ]


def test_a_stranger_or_no_reason_takes_nothing(unit, by, draw):
    for who, why, words in (("staff/nobody", "x", "active"), (by, " ", "--because")):
        with pytest.raises(NotAllowedError, match=words):
            take_past_cases(
                unit.store, "f", _file(ROW), by=who, because=why, on=ON, draw_chance=draw
            )
    assert _of(unit, "past_import") == []


def test_a_thousand_invented_cases_leave_no_gap(unit, by, draw):
    chance = random.Random(7)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HEADER.split(","))
    for number in range(1_000):
        day = f"{chance.randint(2019, 2024)}-{chance.randint(1, 12):02}-{chance.randint(1, 28):02}"
        lot = chance.choice(["unknown", f"L-{chance.randint(1, 40)}"])
        seen = chance.choice([["2025-02-01", "yes"], ["2025-02-01", ""], ["", ""]])
        follow = [*seen, f"2026-{chance.randint(4, 12):02}-03"]
        person = [f"N-{number}", f"Name{number % 50}", "Ada", f"19{number % 60 + 30}-01-01"]
        axis = f"{chance.randint(5, 40) / 10}"
        writer.writerow([*person, day, axis, lot, chance.randint(6, 20), "1.1", day, *follow])
    started = time.process_time()
    report = _take(unit, by, draw, out.getvalue().encode())
    took_s = time.process_time() - started

    assert (report.can_be_taken, report.faults) == (1_000, [])
    found = check_follow_up(unit.store, on=ON)
    assert (found.checked, found.with_next_act, found.gaps) == (1_000, 1_000, ())
    assert took_s < 60
