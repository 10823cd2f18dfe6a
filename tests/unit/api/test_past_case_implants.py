"""Past cases from a file: each case once, each coil with all that a recall is searched by.

Caught: a row that stands twice taken as two cases with every coil twice; a ninth coil told to be
left out of the file; a second lot of adhesive for which there was no column.
"""

import pytest

from api.clinical_rules.hibc_label import check_character
from api.clinical_rules.implant_search import make_search
from api.documents.past_case_columns import list_columns
from api.documents.past_case_file import write_template
from api.documents.past_case_implants import MOST_ADHESIVES, MOST_COILS
from api.use_cases.add_staff import add_staff
from api.use_cases.errors import CalculationError
from api.use_cases.find_lots import look_for
from api.use_cases.import_cases import look_at_past_cases, take_past_cases, undo_import
from sync.merge import shown_value

ON = "2026-03-16"
HEADER = "local_number,family_name,born_on,procedure_on,coil_1_lot,coil_1_loop_mm"
ROW = "TH-1,Fern,1961-05-04,2015-03-12,L-9,15"
PRIMARY = "+A123BJC5D6E71"


@pytest.fixture
def draw(unit):
    return lambda: unit.environment.draw_chance()


@pytest.fixture
def take(unit, draw):
    by = add_staff(unit.store, "Otis Bramblewick", "endoscopist", chance=draw())

    def take_rows(*rows, header=HEADER):
        return take_past_cases(
            unit.store,
            "f",
            _file(*rows, header=header),
            by=by,
            because="x",
            on=ON,
            draw_chance=draw,
        )

    take_rows.by = by
    return take_rows


def _file(*rows, header=HEADER):
    return "\r\n".join((header, *rows)).encode()


def _of(unit, kind):
    with unit.store.transaction():
        return [one for one in unit.store.views.of_kind(kind) if not one.is_entered_in_error]


def _devices(unit, kind="coil_placed"):
    return [shown_value(one.fields["device"]) for one in _of(unit, kind)]


@pytest.mark.parametrize("again", [ROW, ROW.replace("TH-1", "th -1")])
def test_a_row_that_stands_twice_is_one_case_and_named(unit, take, again):
    report = take(ROW, again)

    assert (report.rows, report.can_be_taken, report.one_person) == (2, 1, [])
    assert [(one.line, one.column, one.sentence) for one in report.faults] == [
        (
            3,
            "procedure_on",
            "Line 2 is this case already: it is taken once, this row left out.",
        )
    ]
    assert len(_of(unit, "case")) == len(_of(unit, "patient")) == 1
    assert _devices(unit) == [{"lot": "L-9"}]


def test_two_rows_of_one_day_that_differ_are_asked_and_neither_is_guessed(unit, take):
    other = ROW.replace("L-9,15", "L-8,12")
    later = ROW.replace("2015-03-12", "2016-03-12")
    report = take(ROW, other, ROW, later)

    assert [one.line for one in report.faults] == [2, 3, 4]
    assert {one.sentence for one in report.faults} == {
        "Lines 2, 3, 4 are one patient on one day and differ in coil_1_lot, coil_1_loop_mm. If "
        "they are one case, make one row of them; if they are several, number them in the column "
        "case_of_day: 1, 2."
    }
    assert len(_of(unit, "case")) == 1


def test_a_second_case_of_a_day_is_taken_where_the_file_says_so_and_once(unit, take, draw):
    header = f"{HEADER},case_of_day"
    first, second = f"{ROW},", f"{ROW.replace('L-9', 'L-8')},2"
    report = take(first, second, f"{ROW},1", header=header)

    assert [one.line for one in report.faults] == [4]
    assert len(_of(unit, "case")) == 2
    known = look_at_past_cases(unit.store, _file(second, first, header=header), on=ON)
    assert [(one.line, "imported already" in one.sentence) for one in known.faults] == [
        (2, True),
        (3, True),
    ]
    undone = undo_import(unit.store, report.record, by=take.by, because="x", draw_chance=draw)
    assert undone.kept == []
    assert _of(unit, "case") == _of(unit, "coil_placed") == []


def test_the_second_case_of_a_day_comes_with_a_corrected_file(unit, take):
    """Whichever of the two came first: a place of a day is told by the record of its case."""
    header = f"{HEADER},case_of_day"
    take(f"{ROW},2", header=header)
    report = take(f"{ROW.replace('L-9', 'L-8')},1", f"{ROW},2", header=header)

    assert ([one.line for one in report.faults], report.can_be_taken) == ([3], 1)
    assert len(_of(unit, "case")) == 2


LABELS = (
    "local_number,procedure_on,coil_1_lot,coil_1_identifier,coil_1_serial,coil_1_expires_on,"
    "coil_9_lot,coil_9_identifier,adhesive_lot,adhesive_identifier,adhesive_expires_on"
)


def test_identifier_serial_and_expiry_are_taken_and_found_by_a_recall(unit, take):
    hibc = f"{PRIMARY}{check_character(PRIMARY)}"
    take(
        f"TH-1,2015-03-12,L-9,9521234543213,S-1,2017-02,L-10,{hibc},unknown,9501101530003,"
        "2016-12-24",
        header=LABELS,
    )

    assert _devices(unit) == [
        {"lot": "L-9", "identifier": "09521234543213", "serial": "S-1", "expires_on": "2017-02-28"},
        {"lot": "L-10", "identifier": "A123BJC5D6E71"},
    ]
    assert _devices(unit, "adhesive_injected") == [
        {"lot_unknown": True, "identifier": "09501101530003", "expires_on": "2016-12-24"}
    ]
    for search in (
        {"identifier": "09521234543213"},
        {"serial": "S-1"},
        {"identifier": "A123BJC5D6E71"},
    ):
        with unit.store.transaction():
            found = look_for(unit.store, make_search(search), on=ON)
        assert [one.group for one in found.implants].count("same") == 1, search


def test_every_adhesive_of_a_case_is_taken_with_its_amount_and_found_by_a_recall(unit, take):
    take(
        "TH-1,2015-03-12,K-1477,1.5,unknown,other,1,B-9032",
        header="local_number,procedure_on,adhesive_lot,adhesive_mix_ml,adhesive_2_lot,"
        f"adhesive_2_agent,adhesive_2_mix_ml,adhesive_{MOST_ADHESIVES}_lot",
    )

    held = {one.record.rpartition("-")[2]: one.fields for one in _of(unit, "adhesive_injected")}
    amounts = {place: shown_value(fields.get("amount")) for place, fields in held.items()}
    assert amounts == {
        "1": {"mix_ul": 1_500},
        "2": {"agent": "other", "mix_ul": 1_000},
        f"{MOST_ADHESIVES}": None,
    }
    with unit.store.transaction():
        found = look_for(unit.store, make_search({"lots": ["B-9032"]}), on=ON)
    assert [(one.group, one.lot) for one in found.implants] == [
        ("same", "B-9032"),
        ("unknown", ""),
    ]


@pytest.mark.parametrize(
    ("columns", "cells", "column"),
    [
        ("adhesive_2_mix_ml", "1", "adhesive_2_lot"),
        ("adhesive_lot,adhesive_3_serial", "A-1,S-1", "adhesive_3_lot"),
        ("adhesive_2_lot,adhesive_2_parts_oil", "A-1,1", "adhesive_2_parts_oil"),
    ],
)
def test_a_second_adhesive_is_told_whole(unit, columns, cells, column):
    content = _file(f"TH-1,2015-03-12,{cells}", header=f"local_number,procedure_on,{columns}")
    (fault,) = look_at_past_cases(unit.store, content, on=ON).faults

    assert fault.column == column


def test_an_unknown_lot_of_a_past_case_lies_on_the_day_of_its_procedure(unit, take):
    """[LT8] Caught: no coil of a past case has a day of its own, and it lay in every period."""
    header = "local_number,procedure_on,coil_1_lot,adhesive_lot"
    take("TH-1,2015-03-12,unknown,unknown", "TH-2,2016-03-12,unknown,unknown", header=header)

    def days(**period):
        with unit.store.transaction():
            told = look_for(unit.store, make_search({"lots": ["L-9"], **period}), on=ON)
        return [one.on_day for one in told.implants]

    assert days() == ["2016-03-12"] * 2 + ["2015-03-12"] * 2
    assert days(from_on="2015-03-12", to_on="2015-12-31") == ["2015-03-12"] * 2
    assert days(from_on="2016-03-12") == ["2016-03-12"] * 2
    assert days(from_on="2017-01-01") == []


@pytest.mark.parametrize(
    ("header", "cell", "words"),
    [
        ("coil_1_identifier", "09521234543212", "check digit"),
        ("coil_1_identifier", "9.52123E+12", "format the column as text"),
        ("coil_1_identifier", "0952123454321", "check digit"),
        ("coil_1_identifier", "952123454321311", "8, 12, 13 or 14 digits"),
        ("coil_1_identifier", f"{PRIMARY}Z", "to its check character"),
        ("coil_1_identifier", "A123BJC5D6E71", "from + to its check character"),
        ("coil_1_identifier", f"{PRIMARY}/$L1{check_character(PRIMARY + '/$L1')}", "stroke"),
        ("coil_1_expires_on", "2017-13", "2027-04"),
        ("coil_1_expires_on", "02/2017", "2027-04"),
        ("coil_1_expires_on", "2017-02-30", "2027-04"),
        ("adhesive_identifier", "09521234543212", "check digit"),
        ("adhesive_expires_on", "soon", "2027-04"),
    ],
)
def test_a_cell_of_a_label_is_checked(unit, header, cell, words):
    content = _file(
        f"TH-1,2015-03-12,L-9,unknown,{cell}",
        header=f"local_number,procedure_on,coil_1_lot,adhesive_lot,{header}",
    )
    (fault,) = look_at_past_cases(unit.store, content, on=ON).faults

    assert (fault.line, fault.column) == (2, header)
    assert words in fault.sentence


def test_a_serial_without_a_lot_asks_for_the_lot(unit):
    content = _file("TH-1,2015-03-12,S-1", header="local_number,procedure_on,coil_7_serial")
    (fault,) = look_at_past_cases(unit.store, content, on=ON).faults

    assert fault.column == "coil_7_lot"


def test_a_case_of_many_coils_keeps_each(unit, take):
    lots = [f"coil_{one}_lot" for one in range(1, MOST_COILS + 1)]
    header = ",".join(("local_number", "procedure_on", *lots))
    take(",".join(("TH-1", "2015-03-12", *(f"L-{one}" for one in lots))), header=header)

    assert sorted(one["lot"] for one in _devices(unit)) == sorted(f"L-{one}" for one in lots)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (f"coil_{MOST_COILS + 1}_lot", "second row .* case_of_day, so that none is lost"),
        (f"adhesive_{MOST_ADHESIVES + 1}_lot", "second row .* case_of_day, so that none is lost"),
        ("adhesive_1_lot", "of a second one, adhesive_2_lot"),
        ("coil_400_loop_mm", "second row .* case_of_day"),
        ("coil_2_udi", "lot, identifier, serial, expires_on.* Rename the column"),
        ("adhesive_gtin", "Rename the column"),
    ],
)
def test_a_header_of_a_device_is_never_told_to_be_left_out(unit, header, words):
    content = _file("TH-1,2015-03-12,L-9", header=f"local_number,procedure_on,{header}")
    with pytest.raises(CalculationError, match=words) as refused:
        look_at_past_cases(unit.store, content, on=ON)

    assert "leave it out" not in str(refused.value)


def test_the_template_shows_what_a_label_tells_and_what_more_coils_are_called(unit):
    headers, meanings, _ = write_template(list_columns(unit.store.catalogue)).splitlines()

    assert {"coil_1_identifier", "coil_1_serial", "coil_8_lot", "adhesive_identifier"} <= {
        *headers.split(",")
    }
    assert f"the same for coil_2 to coil_{MOST_COILS}" in meanings
    assert "coil_9_lot" not in headers
    assert f"the same for adhesive_2 to adhesive_{MOST_ADHESIVES}" in meanings
    assert "adhesive_2_lot" not in headers
