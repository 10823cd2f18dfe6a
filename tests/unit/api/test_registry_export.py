"""De-identified exports of a hub: what they hold, who decides them, and that they repeat.

Planted bugs that this caught: a shift drawn per project and not per patient, the hub's own id as
pseudonym, a group of four told, a case outside of the days asked for, a moment in the archive.
"""

import csv
import datetime
import io
import json
from collections import Counter

import pytest
from click.testing import CliRunner

from api.command_line import main
from api.use_cases import export_files
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_columns import TABLES, describe_columns
from api.use_cases.export_files import pack, read_parquet, unpack, write_table_files
from api.use_cases.export_generalising import HELD_BACK, LADDER, K, Traits, generalise
from api.use_cases.export_history import EarlierExport, require_no_small_part
from api.use_cases.export_registry import ExportOrder, make_export
from api.use_cases.export_tables import KINDS, make_export_rows
from api.use_cases.lint_export import lint_export
from api.use_cases.network_exports import (
    ask_for_export,
    decide_export,
    list_exports,
    read_archive,
)
from tests.unit.api.network_hub import FEN, LOW, TARN, open_hub
from tests.unit.api.registry_people import GTIN, digits, tell_patients
from tests.unit.api.standing_unit import NOON_MS

KEY, OTHER_KEY = b"k" * 32, b"o" * 32
TODAY = "2026-09-21"
ORDER = ExportOrder(
    project="Looks after a year",
    purpose="Obliteration by varix class",
    asked_by="Ada Reedmace",
    approved_by="Piers Larkspire",
)


def _make(hub, key=KEY, order=ORDER, now_ms=NOON_MS, **more):
    return make_export(hub.store, order, key, now_ms=now_ms, today=TODAY, **more)


def _rows(made, name):
    return list(csv.DictReader(io.StringIO(made.files[f"{name}.csv"].decode())))


def _states(hub):
    with hub.store.transaction():
        return {kind: hub.store.views.of_kind(kind) for kind in KINDS}


def test_an_export_holds_every_table_in_three_forms_and_passes_the_linter(hub):
    """[DM-08] [DX1] [DX4]"""
    tell_patients(hub, 240)

    made = _make(hub)

    assert made.faults == []
    assert {name.partition(".")[0] for name in made.files} == {
        *(table.name for table in TABLES),
        "dictionary",
        "manifest",
        "README",
    }
    for table in TABLES:
        rows = _rows(made, table.name)
        assert len(rows) == made.manifest.rows[table.name] > 0
        assert json.loads(made.files[f"{table.name}.json"]) == read_parquet(
            made.files[f"{table.name}.parquet"]
        )
    assert made.manifest.rows["cases"] == made.manifest.rows["patients"] == 240
    assert {row["device"] for row in _rows(made, "implants")} == {GTIN}
    assert len({row["lot"] for row in _rows(made, "implants")}) == 4
    # Every value of a recorded field comes through.
    assert Counter(row["varix_class"] for row in _rows(made, "cases")) == {
        "GOV1": 80,
        "GOV2": 80,
        "IGV1": 80,
    }


def test_the_manifest_names_purpose_approver_versions_and_every_file(hub):
    """[DM-08] [PRIV-06] [DX4]"""
    tell_patients(hub, 60)
    made = _make(hub)

    manifest = json.loads(made.files["manifest.json"])
    readme = made.files["README.txt"].decode()

    assert (manifest["purpose"], manifest["approved_by"]) == (ORDER.purpose, ORDER.approved_by)
    assert set(manifest["sha256"]) == set(made.files) - {"manifest.json", "README.txt"}
    assert manifest["rule_versions"]["quality_rules"] == 2
    assert manifest["rule_versions"]["sizing/limits"] == 2
    assert manifest["caution"].startswith("Small numbers. Not a ranking. Missing data: ")
    assert manifest["caution"] in readme
    assert "pseudonymised" in readme.lower()
    for content in made.files.values():
        assert b"anonym" not in content.lower()


def test_the_dictionary_takes_types_and_vocabularies_from_the_catalogue(hub):
    """[DM-08]"""
    told = describe_columns(hub.store.catalogue)
    cases = {one["column"]: one for one in told["cases"]}

    assert cases["short_axis_um"]["unit"] == "um"
    assert "IGV2" in cases["varix_class"]["values"]
    assert [one["column"] for one in told["patients"] if one["is_quasi_identifier"]] == [
        "unit",
        "birth_band",
        "sex",
        "treated_period",
    ]


def test_intervals_stay_true_and_every_date_of_a_patient_moves_alike(hub):
    """[DX2] Days count from the first treatment, and dates lie as far apart as days do."""
    tell_patients(hub, 240, birth_year=1960, sex="female")
    made = _make(hub)
    cases = {row["patient"]: row for row in _rows(made, "cases")}
    told = [row for row in cases.values() if row["treated_on"]]

    assert len(told) > 200
    for row in told:
        assert row["treated_day"] == "0"
        assert _days(row["treated_on"], row["seen_on"]) == int(row["seen_day"])
    later = (
        [(row, "looked") for row in _rows(made, "looks")]
        + [(row, "happened") for row in _rows(made, "events")]
        + [(row, "died") for row in _rows(made, "patients") if row["died_day"]]
    )
    spans = [
        (_days(cases[row["patient"]]["treated_on"], row[f"{name}_on"]), int(row[f"{name}_day"]))
        for row, name in later
        if row[f"{name}_on"]
    ]
    assert len(spans) > 250
    assert all(span == day for span, day in spans)
    # As many days as the hub holds between treatment and the last look.
    assert {row["seen_day"] for row in told} <= {
        str(_days(f"{2024 + one % 2}-{one % 12 + 1:02d}-{one % 28 + 1:02d}", "2026-01-05"))
        for one in range(240)
    }


def _days(one, other):
    return (datetime.date.fromisoformat(other) - datetime.date.fromisoformat(one)).days


def test_patients_treated_on_one_day_are_moved_apart_and_never_stay(hub):
    """[DX2] By up to 182 days either way, and by at least one."""
    tell_patients(hub, 240, birth_year=1960, sex="female")
    with hub.store.transaction():
        for number in range(240):
            unit = hub.units[(TARN, FEN, LOW)[number % 3]]
            unit.write(f"registry_case/{digits(f'c{number}')}", treated_on="2025-06-30")
    moved = Counter(row["treated_on"] for row in _rows(_make(hub), "cases"))
    del moved[""]

    spans = {_days("2025-06-30", day) for day in moved}

    assert len(spans) > 100
    assert 0 not in spans
    assert -182 <= min(spans) < -150 < 150 < max(spans) <= 182


def test_projects_cannot_be_joined_and_one_repeats_to_the_byte(hub):
    """[DM-08] [DX1] [DX5]"""
    tell_patients(hub, 60)
    one, again, other = _make(hub), _make(hub), _make(hub, OTHER_KEY)
    later = _make(hub, now_ms=NOON_MS + 60_000)

    assert pack(one.files) == pack(again.files)
    assert unpack(pack(one.files)) == one.files
    pseudonyms = [{row["patient"] for row in _rows(made, "patients")} for made in (one, other)]
    assert not pseudonyms[0] & pseudonyms[1]
    lots = [{row["lot"] for row in _rows(made, "implants")} for made in (one, other)]
    assert not lots[0] & lots[1]
    assert later.files["cases.csv"] == one.files["cases.csv"]
    assert later.files["manifest.json"] != one.files["manifest.json"]


def test_no_text_of_the_hub_stands_in_a_file(hub):
    """[HAZ-49] [DX1] Ids, units and lots, as the hub has them."""
    tell_patients(hub, 60)
    held = {"unit-tarn", "unit-fen", "VK441", *(digits(f"p{number}") for number in range(60))}
    held |= {record.partition("/")[2][:20] for record in (digits("c1"), digits("i1"))}

    for name, content in _make(hub).files.items():
        for text in held - {""}:
            assert text.encode() not in content, (name, text)


def test_what_its_column_does_not_allow_is_left_empty_and_counted(hub):
    """[HAZ-49] [DX1] A name typed where a choice belongs, or a lot; a phone number as device."""
    tell_patients(hub, 60)
    with hub.store.transaction():
        hub.units["unit-tarn"].write(
            f"registry_case/{digits('c0')}", varix_class="Mrs Greyfen", coils_placed="three"
        )
        hub.units["unit-tarn"].write(
            f"registry_implant/{digits('i0')}", identifier="07700900123456", lot="Mrs Greyfen"
        )
    made = _make(hub)

    assert made.faults == []
    assert made.manifest.refused == 2
    assert all(b"Greyfen" not in content for content in made.files.values())
    assert all(b"07700900123456" not in content for content in made.files.values())


@pytest.mark.parametrize("count", [4, 5, 6])
def test_fewer_than_five_patients_are_no_export(hub, count):
    """[HAZ-49] [DX3]"""
    tell_patients(hub, count)
    if count < K:
        with pytest.raises(NotAllowedError, match="Widen it"):
            _make(hub)
    else:
        assert _make(hub).faults == []


def test_only_cases_of_the_days_asked_for_and_their_patients(hub):
    """[DM-08]"""
    tell_patients(hub, 120)
    order = ExportOrder(**{**_asdict(ORDER), "from_on": "2025-01-01", "until_on": "2025-12-31"})

    made = _make(hub, order=order)

    # The odd ones were treated in 2025.
    assert made.manifest.rows["cases"] == made.manifest.rows["patients"] == 60
    assert made.manifest.rows["looks"] == 60


def _asdict(order):
    return {name: getattr(order, name) for name in order.__struct_fields__}


def test_struck_and_foreign_records_stay_out(hub):
    """[DM-08] A case that was retracted; a look at a case that nobody published."""
    tell_patients(hub, 60)
    case = f"registry_case/{digits('c3')}"
    with hub.store.transaction():
        state = hub.store.views.state_of(case)
        hub.units["unit-tarn"].write(case, retract=state.heads)
        look = {"case": "registry_case/" + "0" * 32, "looked_on": "2026-01-01", "flow": "no"}
        hub.units["unit-tarn"].write("registry_look/" + "1" * 32, **look)
    rows = make_export_rows(_states(hub), hub.store.catalogue, KEY)

    assert {name: len(held) for name, held in rows.tables.items()}["patients"] == 59
    assert len(rows.tables["looks"]) == 59


def _traits(unit="u", year=1960, sex="female", on="2025-02-01"):
    return Traits(unit, year, sex, on)


@pytest.mark.parametrize(
    ("alike", "step", "held_back"),
    [(4, len(LADDER) - 1, 4), (5, 0, 0), (6, 0, 0)],
)
def test_five_alike_are_told_at_the_finest_step_and_four_never(alike, step, held_back):
    """[HAZ-49] [DX3] k = 5: unit setting (project default)."""
    found, told = generalise([_traits() for _ in range(alike)])

    assert found == LADDER[step]
    assert told.count(HELD_BACK) == held_back


def test_bands_widen_until_five_share_one(hub):
    """[DX3] By hand: 1960-1964 has three, 1965-1969 has two, 1960-1969 all five."""
    years = (1960, 1962, 1964, 1965, 1969)
    step, told = generalise([_traits(year=year) for year in years])

    assert step == LADDER[1]
    assert set(told) == {("u", "1960-1969", "female", "2025-Q1")}
    step, told = generalise([_traits(on=f"2025-{month:02d}-01") for month in (1, 4, 2, 5, 6)])
    assert step == LADDER[2]
    assert {one[3] for one in told} == {"2025-H1"}


def test_a_few_of_many_are_held_back_rather_than_all_made_coarse():
    """[DX3] Of 100, up to 5 may be held back at a step."""
    many = [_traits() for _ in range(96)]
    step, told = generalise([*many, *(_traits(sex="male") for _ in range(4))])

    assert step == LADDER[0]
    assert told.count(HELD_BACK) == 4


def test_an_export_without_its_library_is_refused_in_one_sentence(hub, monkeypatch):
    """[DM-08]"""
    tell_patients(hub, 60)
    rows = make_export_rows(_states(hub), hub.store.catalogue, KEY)
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)

    with pytest.raises(NotAllowedError, match="pip install"):
        write_table_files(rows)
    assert "cases.csv" in write_table_files(rows, with_parquet=False)
    assert export_files.NO_PARQUET.count(". ") == 1


def _ask(hub, by, **changed):
    asked = {"project": "P", "purpose": "Q", "from_on": "", "until_on": "", **changed}
    return ask_for_export(hub.store, **asked, by=by, new_id="x1", now_ms=NOON_MS)


def _decide(hub, by, export="x1", decision="approve", because="", key=KEY):
    return decide_export(
        hub.store,
        export,
        decision=decision,
        because=because,
        by=by,
        draw_key=lambda: key,
        now_ms=NOON_MS,
        today=TODAY,
    )


def test_one_asks_and_another_approves(hub):
    """[DM-08] [DX6]"""
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    twin, admin = hub.person("Ada  Reedmace"), hub.person("Ida Norrwood", "unit-admin")
    export = _ask(hub, ada)

    for by, part in ((ada, "second person"), (admin, "Exports are for"), ("staff/no", "no active")):
        with pytest.raises(NotAllowedError, match=part):
            _decide(hub, by)
    with pytest.raises(NotAllowedError, match="Exports are for"):
        _ask(hub, piers)
    with pytest.raises(NotAllowedError, match="Nothing was made"):
        read_archive(hub.store, export)
    [row] = list_exports(hub.store, viewer=ada)
    assert (row.state, row.may_decide) == ("asked", False)
    assert list_exports(hub.store, viewer=piers)[0].may_decide
    del twin

    assert _decide(hub, piers).faults == []

    [row] = list_exports(hub.store, viewer=piers)
    assert (row.state, row.decided_by_name, row.may_decide) == ("made", "Piers Larkspire", False)
    assert set(unpack(read_archive(hub.store, export))) >= {"manifest.json", "cases.parquet"}
    with pytest.raises(NotAllowedError, match="made already"):
        _decide(hub, piers)


def test_a_project_keeps_its_key_and_another_has_its_own(hub):
    """[DX1] Pseudonyms of one project fit together in its next export."""
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire")
    made = []
    for number, (project, key) in enumerate((("P", KEY), ("P", OTHER_KEY), ("R", OTHER_KEY))):
        ask_for_export(
            hub.store,
            project=project,
            purpose="Q",
            from_on="",
            until_on="",
            by=ada,
            new_id=f"x{number}",
            now_ms=NOON_MS,
        )
        made.append(_decide(hub, piers, f"x{number}", key=key))

    patients = [{row["patient"] for row in _rows(one, "patients")} for one in made]
    assert patients[0] == patients[1]
    assert not patients[0] & patients[2]


def _export(hub, ada, piers, number, **period):
    """Ask for an export and approve it; return what was made."""
    asked = {"project": "P", "purpose": "Q", "from_on": "", "until_on": "", **period}
    ask_for_export(hub.store, **asked, by=ada, new_id=f"x{number}", now_ms=NOON_MS + number)
    return _decide(hub, piers, f"x{number}")


def test_a_project_keeps_its_step(hub):
    """[DX7] [HAZ-49] Caught: the second at a step of its own, from which more follows."""
    tell_patients(hub, 240, birth_year=1950, sex="female")
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    few = _export(hub, ada, piers, 1, until_on="2024-03-31")
    every = _export(hub, ada, piers, 2)
    other = _export(hub, ada, piers, 3, project="R")

    assert few.manifest.generalised_to == every.manifest.generalised_to
    assert other.manifest.generalised_to != every.manifest.generalised_to


@pytest.mark.parametrize("is_shorter_first", [True, False])
@pytest.mark.parametrize(("more", "is_made"), [(1, False), (4, False), (5, True), (0, True)])
def test_an_export_that_differs_by_few_patients_from_an_earlier_one_is_not_made(
    hub, more, is_made, is_shorter_first
):
    """[DX7] [HAZ-49] Caught: one to four patients in one of the two alone, looked for one way."""
    tell_patients(hub, 60)
    for number in range(more):
        record, case = (
            f"registry_{kind}/{digits(f'{kind}{number}')}" for kind in ("patient", "case")
        )
        hub.write(TARN, record, unit=TARN, birth_year=1950, sex="female")
        hub.write(TARN, case, unit=TARN, patient=record, treated_on="2026-05-03")
    periods = [{"until_on": "2026-03-31"}, {}]
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    first, second = periods if is_shorter_first else periods[::-1]
    _export(hub, ada, piers, 1, **first)

    if is_made:
        assert _export(hub, ada, piers, 2, **second).faults == []
        return
    with pytest.raises(NotAllowedError, match="fewer than five patients"):
        _export(hub, ada, piers, 2, **second)
    assert [one.state for one in list_exports(hub.store, viewer=ada)] == ["asked", "made"]
    # Another project holds no other export.
    assert _export(hub, ada, piers, 3, project="R", **second).faults == []


def _tell_more(hub, numbers, on):
    """Tell one case on a day of each of some patients."""
    for number in numbers:
        record, case = (
            f"registry_{kind}/{digits(f'{kind}{number}')}" for kind in ("patient", "case")
        )
        hub.write(TARN, record, unit=TARN, birth_year=1950, sex="female")
        hub.write(TARN, case, unit=TARN, patient=record, treated_on=on)


@pytest.mark.parametrize(("in_both", "is_made"), [(1, False), (4, False), (5, True), (0, True)])
def test_what_two_periods_share_is_no_small_group_either(hub, in_both, is_made):
    """[DX7] [HAZ-49] Each period alone is large, and each is far from the other.

    The planted bug it has caught: compared with each earlier one by what stands in one of the two
    alone, so that those in both, treated in the second quarter, were two.
    """
    tell_patients(hub, 60)
    _tell_more(hub, range(in_both), "2026-05-03")
    _tell_more(hub, range(100, 120), "2026-08-03")
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    _export(hub, ada, piers, 1, until_on="2026-06-30")

    if is_made:
        assert _export(hub, ada, piers, 2, from_on="2026-04-01").faults == []
        return
    with pytest.raises(NotAllowedError, match="fewer than five patients"):
        _export(hub, ada, piers, 2, from_on="2026-04-01")


@pytest.mark.parametrize(("size", "is_made"), [(4, False), (5, True)])
def test_of_three_exports_every_part_is_none_or_five(size, is_made):
    """[DX7] Two of the three always differ by twenty at least; those in all three are few.

    The planted bug it has caught: each pair looked at by itself.
    """
    names = iter(range(1_000))
    one, two, three, every = (
        {f"p{next(names)}" for _ in range(count)} for count in (20, 20, 20, size)
    )
    earlier = [EarlierExport(frozenset(some | every), None) for some in (one | two, two | three)]

    if is_made:
        require_no_small_part(one | three | every, earlier)
        return
    with pytest.raises(NotAllowedError, match="fewer than five patients"):
        require_no_small_part(one | three | every, earlier)


@pytest.mark.parametrize("spelled", ["Study of Varices", "  study  OF varices", "STUDY OF VARICES"])
def test_a_project_is_one_however_its_name_is_spelled(hub, spelled):
    """[DX7] [HAZ-49] The planted bug it has caught: the exact letters compared, so that another
    capital made another project, for which 62 were told against 60.
    """
    tell_patients(hub, 60)
    _tell_more(hub, range(2), "2026-05-03")
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire", "auditor")
    _export(hub, ada, piers, 1, project="Study of varices", until_on="2026-03-31")

    with pytest.raises(NotAllowedError, match="fewer than five patients"):
        _export(hub, ada, piers, 2, project=spelled, until_on="2026-06-30")
    assert {one.project for one in list_exports(hub.store, viewer=ada)} == {"Study of varices"}


@pytest.mark.parametrize(
    ("changed", "part"),
    [
        ({"from_on": "2026-01-02"}, "Take 2026-01-01 to no last day"),
        ({"until_on": "2026-06-29"}, "Take no first day to 2026-06-30"),
        ({"from_on": "2026-04-01", "until_on": "2026-07-01"}, "2026-04-01 to 2026-09-30"),
        ({"purpose": " "}, "for what purpose"),
        ({"project": ""}, "for which project"),
        ({"from_on": "2026-02-30"}, "is no day"),
        ({"from_on": "2026-02-02", "until_on": "2026-02-01"}, "Turn them round"),
    ],
)
def test_an_order_that_says_too_little_is_refused(hub, changed, part):
    """[DM-08]"""
    ada = hub.person("Ada Reedmace")
    with pytest.raises(NotAllowedError, match=part):
        _ask(hub, ada, **changed)


def test_a_refused_export_says_why_and_makes_nothing(hub):
    """[DX6]"""
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire")
    _ask(hub, ada)
    with pytest.raises(NotAllowedError, match="Say why"):
        _decide(hub, piers, decision="refuse")

    assert _decide(hub, piers, decision="refuse", because="no agreement yet") is None

    assert list_exports(hub.store, viewer=ada)[0].because == "no agreement yet"


def test_the_command_writes_the_files_and_the_trail_says_who_and_why(tmp_path):
    """[DM-08] [DX6] [AU5]"""
    hub = open_hub(tmp_path / "hub")
    tell_patients(hub, 60)
    ada, piers = hub.person("Ada Reedmace"), hub.person("Piers Larkspire")
    hub.store.close()
    words = ["hub", "export", "--data", str(tmp_path / "hub"), "--project", "P", "--purpose", "Q"]
    out = tmp_path / "out"

    alone = _run([*words, "--by", ada, "--approver", ada, "--out", str(out)])
    done = _run([*words, "--by", ada, "--approver", piers, "--out", str(out)])
    again = _run([*words, "--by", ada, "--approver", piers, "--out", str(out)])

    assert (alone.exit_code, done.exit_code, again.exit_code) == (2, 0, 2), done.output
    assert "second person" in alone.output
    assert "not empty" in again.output
    assert "pseudonymised" in done.output
    assert (out / "patients.parquet").exists()
    trail = _run(["audit", "search", "--data", str(tmp_path / "hub")]).output
    assert "export network-exports" in trail
    assert f"by command, asked as {ada}, approved as {piers}" in trail
    files = {one.name: one.read_bytes() for one in out.iterdir()}
    opened = open_hub(tmp_path / "other")
    assert lint_export(files, opened.store.catalogue) == []
    opened.store.close()


def test_an_export_is_refused_in_the_folder_of_a_unit(tmp_path):
    """[DM-08]"""
    words = ["hub", "export", "--project", "P", "--purpose", "Q", "--by", "staff/a"]
    more = ["--approver", "staff/b", "--out", str(tmp_path / "o"), "--data", str(tmp_path / "unit")]

    refused = _run([*words, *more])

    assert refused.exit_code == 2
    assert "made at its hub" in refused.output


def _run(words):
    return CliRunner().invoke(main, words)
