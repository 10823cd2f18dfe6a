"""Every case as tables: nothing lost, nothing chosen, nothing that a spreadsheet would run.

Planted bugs that this caught: an apostrophe taken off a text that had its own, empty text read back
as absent, the last of two answers in a cell, and a cell that begins with an at sign left bare.
"""

import csv
import io
import json

import pytest
import sqlite_utils
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from api.command_line import main
from api.documents.case_tables import (
    DICTIONARY,
    DOUBTS,
    TABLES,
    columns_of_table,
    list_columns,
    read_table,
    write_table,
)
from api.storage.unit_store import read_packaged_catalogue
from api.use_cases.export_cases import export_cases_as_json, gather_tables, write_cases_as_csv
from api.use_cases.load_scenario import load_scenario
from tests.scenarios.test_seed_scenarios import STORIES
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

CATALOGUE = read_packaged_catalogue()
COLUMNS = {"record": "reference", "said": "text", "count": "whole_number", "held": "any"}
_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_TEXTS = st.one_of(
    _TEXT,
    st.sampled_from(["", "'", "''=1", "=1+1", "+44", "-1", "@x", "\ty", "a\r\nb", "\r", '"', ","]),
)
_ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "record": _TEXTS,
            "said": st.none() | _TEXTS,
            "count": st.none() | st.integers(-(2**53), 2**53),
            "held": st.recursive(
                st.none() | st.booleans() | st.integers(-5, 5) | _TEXTS,
                lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXT, inner),
            ),
        }
    ),
    max_size=6,
)


@settings(max_examples=300, deadline=None)
@given(_ROWS)
def test_what_is_written_is_read_back_equal(rows):
    written = write_table(COLUMNS, rows)

    assert read_table(COLUMNS, written) == rows


@settings(max_examples=200, deadline=None)
@given(_ROWS)
def test_no_cell_is_a_formula_to_a_spreadsheet(rows):
    cells = [
        cell
        for row in csv.reader(io.StringIO(write_table(COLUMNS, rows), newline=""))
        for cell in row
    ]

    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]


@pytest.fixture
def told(unit):
    for path in STORIES:
        load_scenario(unit.store, path.stem, path.read_bytes())
    return unit.store


def test_every_table_of_the_stories_is_read_back_equal(told):
    tables = gather_tables(told)
    files = write_cases_as_csv(told.catalogue, export_cases_as_json(told))

    assert set(files) == {f"{name}.csv" for name in (*TABLES.values(), DOUBTS, DICTIONARY)}
    assert min(len(tables[name]) for name in ("patients", "cases", "coils", "labs")) > 5
    for name, rows in tables.items():
        assert read_table(columns_of_table(told.catalogue, name), files[f"{name}.csv"]) == rows
    assert json.loads(export_cases_as_json(told))["tables"] == tables


def test_the_tables_go_into_a_database_and_count_the_same(told):
    """A second library reads the files: each column is text, each row is there."""
    database = sqlite_utils.Database(memory=True)
    written = write_cases_as_csv(told.catalogue, export_cases_as_json(told))
    for name, text in written.items():
        rows = csv.DictReader(io.StringIO(text, newline=""))
        database[name.removesuffix(".csv")].insert_all(rows)
    with told.transaction():
        coils = told.views.of_kind("coil_placed")

    assert database["coils"].count == len(coils)
    joined = database.query(
        "SELECT count(*) AS n FROM coils JOIN cases ON coils.[case]=cases.record"
    )
    assert next(iter(joined))["n"] == sum(not one.is_entered_in_error for one in coils)


def test_each_column_stands_in_the_dictionary_with_its_unit(told):
    tables = gather_tables(told)
    listed = {(row["table"], row["column"]): row for row in tables[DICTIONARY]}

    for kind, table in TABLES.items():
        for column in list_columns(told.catalogue, kind):
            assert (table, column.name) in listed
    assert listed["targets", "size.short_axis_um"]["unit"] == "um"
    assert listed["adhesive", "amount.mix_ul"]["unit"] == "uL"
    assert listed["cases", "past_bleeds"]["unit"] == "count"
    assert listed["cases", "indication"]["values"] == [
        *("primary-prophylaxis", "secondary-prophylaxis", "acute-bleed"),
    ]
    assert listed["cases", "imported_in"]["since"] == 6
    numbers = [
        row for row in tables[DICTIONARY] if row["type"] == "whole_number" and row["unit"] == ""
    ]
    assert {row["column"].rsplit(".", 1)[-1] for row in numbers} <= {
        *("gauge", "parts_adhesive", "parts_oil", "version"),
    }


def test_two_answers_leave_the_cell_empty_and_both_are_in_doubts(unit):
    with unit.store.transaction():
        Story(unit.store, now_ms=NOON_MS).write("case/c", procedure_on="2026-03-01", past_bleeds=1)
        other = Story(unit.store, device="desk-b", now_ms=NOON_MS + 9)
        other.write("case/c", sees=False, procedure_on="2026-03-02")
        other.write("case/d", past_bleeds="many")
    tables = gather_tables(unit.store)
    first, second = tables["cases"]

    assert (first["procedure_on"], first["past_bleeds"]) == (None, 1)
    assert second["past_bleeds"] is None
    assert [(one["record"], one["field"], one["value"]) for one in tables[DOUBTS]] == [
        ("case/c", "procedure_on", "2026-03-01"),
        ("case/c", "procedure_on", "2026-03-02"),
        ("case/d", "past_bleeds", "many"),
    ]


def test_what_was_struck_is_a_row_that_says_so(unit):
    with unit.store.transaction():
        story = Story(unit.store, now_ms=NOON_MS)
        written = story.write("flush/f", case="case/c", amount={"flush_ul": 500})
        story.write("flush/f", retract=(written.reference,))
    (row,) = gather_tables(unit.store)["flushes"]

    assert row["entered_in_error"] is True
    assert row["amount.flush_ul"] is None


def test_devices_that_read_care_get_them_and_booking_desks_do_not(unit, a):
    """[FU-11]"""
    desk = unit.join("desk-c", "booking")
    answer = unit.client.get("/api/cases/export", headers=a)

    assert answer.status_code == 200, answer.text
    assert set(answer.json()["tables"]) == {*TABLES.values(), DOUBTS, DICTIONARY}
    assert unit.client.get("/api/cases/export", headers=desk).status_code == 403
    assert unit.client.get("/api/cases/export").status_code == 401


def test_the_commands_write_files_print_the_template_and_refuse_in_a_sentence(tmp_path):
    run = CliRunner().invoke
    data = ["--data", str(tmp_path / "unit")]
    stories = [str(path) for path in STORIES[:2]]
    assert run(main, ["load-scenario", *stories, *data]).exit_code == 0
    folder, file = tmp_path / "out", tmp_path / "all.json"
    fhir = tmp_path / "case.json"

    assert run(main, ["export-cases", "--csv", str(folder), *data]).exit_code == 0
    assert run(main, ["export-cases", "--json", str(file), *data]).exit_code == 0
    done = run(main, ["export-fhir", "case/larkwater-1", "--out", str(fhir), *data])
    assert done.exit_code == 0, done.output
    assert len(list(folder.glob("*.csv"))) == len(TABLES) + 2
    assert json.loads(fhir.read_bytes())["resourceType"] == "Bundle"
    assert run(main, ["export-cases", *data]).exit_code == 2
    assert run(main, ["export-fhir", "nobody", *data]).exit_code == 2
    template = run(main, ["import-cases", "--template", *data])
    past = tmp_path / "past.csv"
    past.write_text(template.output)
    looked = run(main, ["import-cases", str(past), *data])
    assert (looked.exit_code, "Nothing was written" in looked.output) == (0, True), looked.output
    staff = run(main, ["staff", "add", "--name", "Wren", "--role", "endoscopist", *data])
    who = ["--by", staff.output.split(" is ")[1].strip().rstrip("."), "--because", "registry"]
    taken = run(main, ["import-cases", str(past), "--take", *who, *data])
    assert taken.exit_code == 0, taken.output
    record = taken.output.split("Taken as ")[1].strip().rstrip(".")
    undone = run(main, ["import-cases", "--undo", record, *who, *data])
    assert "Kept for people: 0" in undone.output, undone.output
    assert run(main, ["import-cases", str(tmp_path / "none.csv"), *data]).exit_code == 2
