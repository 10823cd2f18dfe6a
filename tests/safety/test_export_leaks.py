"""[HAZ-49] [PRIV-06] Leaks planted into the files of an export: the linter names each of them.

What is planted is put into the files after they were made, so that nothing of the making helps.
Planted bugs that this caught: groups counted only where a birth year is told, Parquet not read,
held-back periods told again by a date, CSV trusted because JSON was good.
"""

import csv
import io
import json

import msgspec
import pytest

from api.use_cases.export_columns import TABLES
from api.use_cases.export_files import digests_of, read_parquet
from api.use_cases.export_registry import ExportOrder, make_export
from api.use_cases.lint_export import lint_export
from tests.unit.api.network_hub import open_hub
from tests.unit.api.registry_people import digits, tell_patients
from tests.unit.api.standing_unit import NOON_MS

KEY = b"k" * 32
ORDER = ExportOrder(project="P", purpose="Q", asked_by="Ada Reedmace", approved_by="Piers Sedge")


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    opened = open_hub(tmp_path_factory.mktemp("hub") / "hub")
    tell_patients(opened, 200, birth_year=1960, sex="female")
    yield opened
    opened.store.close()


@pytest.fixture(scope="module")
def made(hub):
    return make_export(hub.store, ORDER, KEY, now_ms=NOON_MS, today="2026-09-21").files


def _lint(hub, files, never=()):
    return lint_export(files, hub.store.catalogue, never=never)


def _with_rows(made, table, change):
    """Return the files with a table changed in every format, and a manifest that knows it."""
    rows = msgspec.json.decode(made[f"{table}.json"])
    change(rows)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(rows[0])
    for row in rows:
        texts = ["" if one is None else str(one) for one in row.values()]
        writer.writerow([one.lower() if one in ("True", "False") else one for one in texts])
    files = {name: held for name, held in made.items() if name != f"{table}.parquet"}
    files[f"{table}.json"] = json.dumps(rows).encode()
    files[f"{table}.csv"] = out.getvalue().encode()
    return _sealed(files)


def _sealed(files):
    rest = {
        name: held for name, held in files.items() if name not in ("manifest.json", "README.txt")
    }
    manifest = {**json.loads(files["manifest.json"]), "sha256": digests_of(rest)}
    return {**files, "manifest.json": json.dumps(manifest).encode()}


def _put(column, value):
    return lambda rows: rows[0].update({column: value})


def _in_all(column, value):
    return lambda rows: [row.update({column: value}) for row in rows]


def _small_group(rows):
    """Let four patients alike be told, where all others are of another sex."""
    told = next(row for row in rows if row["treated_period"])
    for row in rows[:4]:
        row.update({**told, "patient": row["patient"], "sex": "male"})


def _small_group_without_a_band(rows):
    for row in rows:
        row.update(birth_band=None)
    _small_group(rows)


def test_an_export_as_made_has_no_fault(hub, made):
    assert _lint(hub, made) == []
    # Changed and put back, it is as good: what the tests below find is what they plant.
    for table in TABLES:
        assert _lint(hub, _with_rows(made, table.name, lambda rows: None)) == []


@pytest.mark.parametrize(
    ("table", "change", "part"),
    [
        ("cases", _put("varix_class", "Mrs Greyfen"), "varix_class holds"),
        ("cases", _put("doubts", "meld;call Mrs Greyfen"), "doubts holds"),
        ("cases", _put("coils_placed", "three, see note"), "coils_placed holds"),
        ("cases", _put("treated_on", "30 June 2025"), "treated_on holds"),
        ("cases", _in_all("note", "seen at home"), "column 'note'"),
        ("patients", _in_all("birth_year", 1960), "column 'birth_year'"),
        ("patients", _put("birth_band", "1960-02-29"), "birth_band holds"),
        ("patients", _put("sex", "unknown, ask"), "sex holds"),
        ("patients", _put("unit", "Tarn Hollow"), "unit holds"),
        ("patients", _put("unit", "unit-tarn"), "unit holds"),
        ("patients", _put("patient", digits("p1")), "patient holds"),
        ("patients", _small_group, "fewer than 5"),
        ("patients", _small_group_without_a_band, "fewer than 5"),
        ("implants", _put("lot", "VK441"), "lot holds"),
        ("implants", _put("device", "01632 960555"), "device holds"),
        ("implants", _in_all("serial", "S-7"), "column 'serial'"),
        ("looks", _put("patient", "f" * 16), "not in patients"),
        ("events", _put("source", "after the party"), "source holds"),
    ],
)
def test_a_leak_planted_into_a_table_is_named(hub, made, table, change, part):
    """[HAZ-49] [DX4]"""
    found = _lint(hub, _with_rows(made, table, change))

    assert any(part in sentence for sentence in found), found


def test_a_date_of_a_patient_whose_period_is_held_back_is_named(hub, made):
    def hide(rows):
        for row in rows:
            row.update(unit=None, birth_band=None, sex=None, treated_period=None)

    found = _lint(hub, _with_rows(made, "patients", hide))

    assert any("period of treatment is held back" in sentence for sentence in found)


def test_what_only_one_format_holds_is_found(hub, made):
    """A row more, a cell more, in JSON or Parquet alone."""
    rows = msgspec.json.decode(made["cases.json"])
    rows[0]["indication"] = "acute-bleed"
    for files in (
        {**made, "cases.json": json.dumps(rows).encode()},
        {**made, "cases.json": json.dumps(rows[1:]).encode()},
        {**made, "cases.parquet": made["looks.parquet"]},
    ):
        found = _lint(hub, _sealed(files))
        assert any("does not hold the same rows" in sentence for sentence in found), found
    assert read_parquet(made["cases.parquet"])
    leak = made["cases.csv"].replace(b"secondary-prophylaxis", b"see Mrs Greyfen", 1)
    found = _lint(hub, _sealed({**made, "cases.csv": leak}))
    assert any("cases.csv, row 1: indication holds" in sentence for sentence in found), found


@pytest.mark.parametrize(
    ("files", "part"),
    [
        ({"names.csv": b"patient,name\r\n"}, "no part of an export"),
        ({"README.txt": b"Anonymised data."}, "pseudonymised"),
        ({"dictionary.json": f'"registry_case/{digits("c1")}"'.encode()}, "id of the record"),
        ({"dictionary.json": digits("p1").encode()}, "id of the record"),
        ({"manifest.json": b"{}"}, "does not say purpose"),
        ({"manifest.json": b"{"}, "cannot be read"),
        ({"README.txt": b"key " + KEY.hex().encode()}, "never to leave"),
    ],
)
def test_a_leak_beside_the_tables_is_named(hub, made, files, part):
    found = _lint(hub, {**made, **files}, never={KEY.hex()})

    assert any(part in sentence for sentence in found), found


def test_a_file_that_is_not_the_one_named_is_found(hub, made):
    changed = made["dictionary.json"].replace(b"Pseudonym of the patient", b"Name of the patient")
    assert changed != made["dictionary.json"]

    assert any("as they are" in one for one in _lint(hub, {**made, "dictionary.json": changed}))
    without = {name: held for name, held in made.items() if name != "events.csv"}
    assert any("events.csv is missing" in one for one in _lint(hub, without))


def test_one_person_alone_is_found_in_the_manifest(hub, made):
    manifest = {**json.loads(made["manifest.json"]), "approved_by": ORDER.asked_by}

    found = _lint(hub, {**made, "manifest.json": json.dumps(manifest).encode()})

    assert any("one person asked for it" in sentence for sentence in found)


def test_an_export_with_a_fault_does_not_leave(hub, monkeypatch):
    """[HAZ-49] [DX4] What is made goes through the linter before anybody is handed it."""
    from api.use_cases import export_tables
    from api.use_cases.errors import NotAllowedError
    from api.use_cases.network_exports import (
        ask_for_export,
        decide_export,
        list_exports,
        read_archive,
    )

    monkeypatch.setattr(export_tables, "generalise", _tell_all)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire")
    export = ask_for_export(
        hub.store,
        project="P",
        purpose="Q",
        from_on="",
        until_on="",
        by=ada,
        new_id="x9",
        now_ms=NOON_MS,
    )
    made = decide_export(
        hub.store,
        export,
        decision="approve",
        because="",
        by=piers,
        draw_key=lambda: KEY,
        now_ms=NOON_MS,
        today="2026-09-21",
    )

    assert any("fewer than 5" in sentence for sentence in made.faults)
    assert list_exports(hub.store, viewer=ada)[0].state == "failed"
    with pytest.raises(NotAllowedError):
        read_archive(hub.store, export)


def _tell_all(traits, kept=None):
    """Tell everything of everybody: what must never happen."""
    from api.use_cases.export_generalising import LADDER

    return LADDER[0], [
        (one.unit, f"{one.birth_year}-{one.birth_year}", one.sex, one.treated_on[:4] + "-Q1")
        for one in traits
    ]
