"""What an export would hold, shown before anybody approves it."""

import csv
import io
import json
from collections import Counter

import msgspec
import pytest

from api.use_cases.errors import NotAllowedError
from api.use_cases.export_columns import TABLES, describe_columns
from api.use_cases.export_generalising import HELD_BACK, K, Traits, generalise
from api.use_cases.export_outlook import look_ahead
from api.use_cases.kept_exports import MadeSummary
from api.use_cases.network_exports import ask_for_export, decide_export
from tests.unit.api.network_hub import LOW, TARN
from tests.unit.api.registry_people import digits, tell_patients
from tests.unit.api.standing_unit import NOON_MS

KEY = b"k" * 32


def _ask(hub, by, new_id="x1", **changed):
    asked = {"project": "P", "purpose": "Q", "from_on": "", "until_on": "", **changed}
    return ask_for_export(hub.store, **asked, by=by, new_id=new_id, now_ms=NOON_MS)


def _look(hub, export="x1"):
    return look_ahead(hub.store, export, draw_key=lambda: KEY, now_ms=NOON_MS)


def _approve(hub, by, export="x1"):
    return decide_export(
        hub.store,
        export,
        decision="approve",
        because="",
        by=by,
        draw_key=lambda: b"o" * 32,
        now_ms=NOON_MS,
        today="2026-09-21",
    )


def test_what_was_looked_at_is_what_is_made(hub):
    """[DM-08] [DX8] Tables, how finely patients are told and how many, by the project's own key.

    Caught: whoever approved was shown project and purpose alone.
    """
    tell_patients(hub, 243)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    _ask(hub, ada)

    seen = _look(hub)
    made = _approve(hub, piers)

    assert seen.sentence == ""
    assert seen.counts.told_of_each == made.manifest.generalised_to
    assert [one.name for one in seen.tables] == list(made.manifest.rows)
    for table in seen.tables:
        assert abs(table.rows - made.manifest.rows[table.name]) <= 2
        assert table.rows % 5 == 0
        held = next(csv.reader(io.StringIO(made.files[f"{table.name}.csv"].decode())))
        assert [one.column for one in table.columns] == held
    assert {one.name: one.patients for one in seen.counts.units} == {
        "Tarn Hollow": 80,
        "Marlow Fen": 80,
        "Lowmoor": 80,
    }
    assert (seen.counts.patients, seen.earlier) == (245, 0)
    with pytest.raises(NotAllowedError, match="made already"):
        _look(hub)


def test_of_no_export_the_columns_are_told_as_the_data_dictionary_has_them(hub):
    """[DM-08] [DX8] Whoever asks reads first what an export holds, and what it leaves out.

    Caught: that it has no unit and no time stood in the file that was made.
    """
    told = _look(hub, "")

    assert (told.counts, told.sentence) == (None, "")
    dictionary = describe_columns(hub.store.catalogue)
    assert {
        table.name: [(one.column, one.meaning, one.unit) for one in table.columns]
        for table in told.tables
    } == {
        name: [(one["column"], one["meaning"], one["unit"]) for one in columns]
        for name, columns in dictionary.items()
    }
    left_out = {table.name: table.left_out for table in told.tables}
    assert "traits" in left_out["patients"]
    assert "expires_on" in left_out["implants"]
    # What is told, as a code or coarsely, is not said to be left out.
    assert {"unit", "birth_year", "patient", "lot", "identifier"}.isdisjoint(
        {field for fields in left_out.values() for field in fields}
    )
    for table in TABLES:
        columns = {column.field for column in table.columns}
        assert columns.isdisjoint(left_out[table.name])


def test_small_groups_are_not_told_by_looking(hub):
    """[HAZ-49] [DX8] One unit of three patients, and two events; a second is hidden beside it.

    Caught, planted: the unit of three was told as 5, and the next one gave it away.
    """
    tell_patients(hub, 60)
    for number in range(60):
        if number % 3 == 2 and number > 8:
            hub.write(LOW, f"registry_patient/{digits(f'p{number}')}", unit=TARN)
    for number in range(0, 60, 5):
        if number > 5:
            record = f"registry_event/{digits(f'e{number}')}"
            hub.units[("unit-tarn", "unit-fen", LOW)[number % 3]].write(
                record, retract=hub.state(record).heads
            )
    _ask(hub, hub.person("Ada Reedmace"))

    seen = _look(hub)

    assert {one.name: one.patients for one in seen.counts.units}["Lowmoor"] is None
    assert sum(one.patients is None for one in seen.counts.units) == 2
    assert {table.name: table.rows for table in seen.tables}["events"] is None


@pytest.mark.parametrize("count", [0, 4])
def test_an_export_that_cannot_be_made_says_so_before_it_is_approved(hub, count):
    """[HAZ-49] [DX8] In the sentence of its refusal, and with no count."""
    tell_patients(hub, count)
    _ask(hub, hub.person("Ada Reedmace"))

    seen = _look(hub)

    assert "Fewer than 5 patients" in seen.sentence
    assert seen.counts is None
    assert {table.rows for table in seen.tables} == {None}


def test_what_the_project_holds_already_is_looked_at_too(hub):
    """[DX7] [DX8] A period that would part off a few is refused to whoever looks."""
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    _ask(hub, ada, until_on="2026-03-31")
    _approve(hub, piers)
    for name in ("one", "two"):
        record = f"registry_patient/{digits(name)}"
        hub.write(TARN, record, unit=TARN, birth_year=1950, sex="female")
        case = {"unit": TARN, "patient": record, "treated_on": "2026-05-03"}
        hub.write(TARN, f"registry_case/{digits(name)}", **case)
    _ask(hub, ada, "x2")

    seen = _look(hub, "x2")

    assert (seen.earlier, seen.counts) == (1, None)
    assert "fewer than five patients" in seen.sentence


def test_the_unit_is_told_rather_than_birth_or_sex():
    """[HAZ-49] [DX3] Five of a unit share its code; where fewer do it is held back.

    Caught: the unit was given up first, so that small sets told no unit at all.
    """
    # Twelve of each of two units, of two spans of 20 years and of every year of treatment.
    traits = [
        Traits("ab"[number % 2], 1940 + 20 * (number % 4 > 1), sex, f"20{10 + number}-02-01")
        for number in range(24)
        for sex in ["male" if number % 12 > 7 else "female"]
    ]

    step, told = generalise(traits)

    assert (step.years, step.period, step.with_unit) == (0, "", True)
    assert Counter(one[0] for one in told) == {"a": 12, "b": 12}
    few = [*traits, *(Traits("c", 1960, "male", "2025-02-01") for _ in range(K - 1))]
    step, told = generalise(few)
    assert "c" not in {one[0] for one in told}
    for group, count in Counter(told).items():
        assert count >= K or group == HELD_BACK


def test_missing_data_is_told_of_how_many_fields(hub):
    """[DM-08] Caught: "Missing data: 752" without of what."""
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    _ask(hub, ada)
    made = _approve(hub, piers)

    manifest = json.loads(made.files["manifest.json"])
    missing, fields = manifest["missing"], manifest["fields"]
    assert 0 < missing < fields
    assert manifest["caution"].endswith(
        f"Missing data: {missing} of {fields} fields that were to be recorded."
    )
    empty = dict.fromkeys(manifest["rows"], 0)
    for name in empty:
        for row in json.loads(made.files[f"{name}.json"]):
            empty[name] += sum(value is None for value in row.values())
    assert missing <= sum(empty.values())


def test_an_export_of_an_older_release_is_read_as_not_counted():
    """[DM-08] Its summary is kept as it was written; nobody makes a number up for it."""
    said = {"made_ms": 1, "rows": 1, "held_back": 0, "missing": 752, "k": 5}
    texts = {"generalised_to": "no unit", "caution": "Missing data: 752."}

    kept = msgspec.convert({**said, **texts, "files": []}, type=MadeSummary)

    assert (kept.missing, kept.fields) == (752, None)
