"""Rule files and the rule book: what is refused, and with which sentence."""

import hashlib
import json
import subprocess
from pathlib import Path

import pytest

from api.clinical_rules.bands import BandRow, refuse_band_faults
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, read_rule_file, refuse_gaps_and_overlaps
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.twin_engine import PWA, node

DATA = PWA.parent / "api/clinical_rules/data"
PATH = "sizing/example.v3.json"


class ExampleRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A row of half-open ranges."""

    from_um: int
    below_um: int | None = None


def content(**changes):
    whole = {
        "name": "sizing/example",
        "version": 3,
        "status": "in force",
        "in_force_from": "2026-01-01",
        "source": {"title": "An example", "edition": "", "page": ""},
        "approved_by": [],
        "unit": "um",
        "rows": [
            {"from_um": 0, "below_um": 5000, "source": "derived here", "basis": "derived"},
            {"from_um": 5000},
        ],
        "note": "",
    }
    return json.dumps({**whole, **changes}).encode()


def in_force(*lines, defaults=()):
    listed = [{"name": name, "version": version, "from_on": on} for name, version, on in lines]
    named = [{"folder": folder, "name": name} for folder, name in defaults]
    return json.dumps({"in_force": listed, "defaults": named}).encode()


def test_a_rule_file_is_read_with_the_hash_of_its_bytes():
    """[RF2] [RF3] The hash is that of hashlib over the bytes as they came."""
    read = read_rule_file(PATH, content(), ExampleRow)

    assert (read.name, read.version, read.unit) == ("sizing/example", 3, "um")
    assert read.sha256 == hashlib.sha256(content()).hexdigest()
    assert read.rows[0] == ExampleRow(
        from_um=0, below_um=5000, source="derived here", basis="derived"
    )
    assert read.rows[1].basis is None


@pytest.mark.parametrize(
    ("bytes_", "sentence"),
    [
        (b"{", "Rule file sizing/example.v3.json cannot be read"),
        (b"\xff", "Rule file sizing/example.v3.json cannot be read"),
        (content(colour="red"), "colour"),
        (content(status="approved?"), "approved?"),
        (content(version=2), "calls itself sizing/example version 2. Correct its `name`"),
        (content(name="sizing/other"), "calls itself sizing/other version 3"),
        (content(rows=[]), "has no rows. Add at least one."),
        (content(rows=[{"from_um": 0}, {"from": 1}]), "row 2 cannot be read"),
        (content(rows=[{"from_um": 0.5}]), "row 1 cannot be read"),
        (content(rows=[{"from_um": 0, "basis": "rumour"}]), "row 1 cannot be read"),
    ],
)
def test_a_faulty_rule_file_is_refused_with_file_row_and_remedy(bytes_, sentence):
    """[RF1] [RF3]"""
    with pytest.raises(RuleFileError) as refused:
        read_rule_file(PATH, bytes_, ExampleRow)

    assert sentence in str(refused.value)
    assert "sizing/example.v3.json" in str(refused.value)


@pytest.mark.parametrize(
    ("ranges", "sentence"),
    [
        (
            [(0, 1000), (1000, 4000), (4000, 5000), (5000, 6000), (5000, None)],
            "Rule file sizing/x.v3.json: rows 4 and 5 overlap (5000-6000 um). "
            "Correct `below_um` of row 4.",
        ),
        (
            [(0, 4999), (5000, None)],
            "Rule file sizing/x.v3.json: rows 1 and 2 leave a gap (4999-5000 um). "
            "Correct `below_um` of row 1.",
        ),
        (
            [(0, None), (5000, None)],
            "Rule file sizing/x.v3.json: row 1 ends before it begins or has no end. "
            "Correct `below_um` of row 1.",
        ),
        (
            [(0, 5000), (5000, 5000)],
            "Rule file sizing/x.v3.json: row 2 ends before it begins or has no end. "
            "Correct `below_um` of row 2.",
        ),
        ([(0, 5000), (5000, None)], None),
        ([(0, 5000), (5000, 9000)], None),
    ],
)
def test_ranges_follow_each_other_without_gap_or_overlap(ranges, sentence):
    """[RF4]"""
    found = None
    try:
        refuse_gaps_and_overlaps(
            "sizing/x.v3.json", ranges, unit="um", from_key="from_um", below_key="below_um"
        )
    except RuleFileError as error:
        found = str(error)

    assert found == sentence


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        ([{"below": "2"}, {"at_least": "2", "at_most": "3"}, {"above": "3"}], None),
        ([{"below": "2"}, {"above": "2"}], "band 2 of inr must begin at_least 2"),
        ([{"at_most": "2"}, {"at_least": "2"}], "band 2 of inr must begin above 2"),
        ([{"below": "2"}, {"at_least": "2.1"}], "band 2 of inr must begin at_least 2"),
        ([{"at_least": "2"}], "band 1 of inr must begin without lower bound"),
        ([{"below": "2"}], "have no upper bound"),
        ([{}, {}], "have an upper bound"),
        ([{"below": "2", "at_most": "2"}, {"above": "2"}], "both `at_most` and `below`"),
        ([{"below": "two"}, {"at_least": "two"}], "two is no decimal number"),
    ],
)
def test_every_number_lies_in_exactly_one_band(rows, fault):
    """[RF8]"""
    bands = [BandRow(**row) for row in rows]
    found = None
    try:
        refuse_band_faults("liver_scores/x.v1.json", "inr", bands)
    except RuleFileError as error:
        found = str(error)

    assert (fault is None) == (found is None), found
    assert fault is None or fault in found


def test_the_version_whose_day_has_come_last_is_in_force():
    """[RF5] Before, on and after the day of version 4; the order of the lines does not matter."""
    contents = {
        PATH: content(),
        "sizing/example.v4.json": content(version=4),
        "in_force.json": in_force(
            ("sizing/example", 4, "2026-03-01"),
            ("sizing/example", 3, "2026-01-01"),
            defaults=[("sizing", "sizing/example")],
        ),
    }
    versions = {
        on: RuleBook(contents, on=on).rule_file("sizing/example", ExampleRow).version
        for on in ("2026-02-28", "2026-03-01", "2026-03-02")
    }

    assert versions == {"2026-02-28": 3, "2026-03-01": 4, "2026-03-02": 4}
    book = RuleBook(contents, on="2026-03-02")
    assert book.rule_file_version("sizing/example", 3, ExampleRow).version == 3
    assert book.names("sizing") == ("sizing/example",)
    assert book.default_name("sizing") == "sizing/example"
    assert not RuleBook(contents, on="2025-12-31").has("sizing/example")
    with pytest.raises(RuleFileError, match=r"No version of .* is in force on 2025-12-31"):
        RuleBook(contents, on="2025-12-31").rule_file("sizing/example", ExampleRow)


@pytest.mark.parametrize("status", ["draft", "retired"])
def test_a_draft_or_retired_file_is_never_in_force(status):
    """[RF6]"""
    contents = {
        PATH: content(status=status),
        "in_force.json": in_force(("sizing/example", 3, "2026-01-01")),
    }

    with pytest.raises(RuleFileError, match=f"its status is {status}. Take it off the list"):
        RuleBook(contents, on="2026-03-01").rule_file("sizing/example", ExampleRow)


@pytest.mark.parametrize(
    ("contents", "sentence"),
    [
        ({}, "in_force.json is missing"),
        ({"in_force.json": b"[]"}, "in_force.json cannot be read"),
        ({"in_force.json": in_force(("a/b", 1, "2026-01-01"))}, "a/b.v1.json"),
        ({"in_force.json": in_force(("sizing/example", 3, "soon")), PATH: b""}, "from soon"),
    ],
)
def test_a_faulty_list_is_refused(contents, sentence):
    """[RF6]"""
    with pytest.raises(RuleFileError) as refused:
        RuleBook(contents, on="2026-03-01")

    assert sentence in str(refused.value)


def test_a_rule_book_without_a_date_is_refused():
    """[RF5]"""
    with pytest.raises(RuleFileError, match="Give the rule book a date"):
        RuleBook({"in_force.json": in_force()}, on="yesterday")


def test_an_answer_names_its_rule_files_by_version_and_hash():
    """[RF7]"""
    read = read_rule_file(PATH, content(), ExampleRow)

    assert name_rule_files(read) == [
        {"name": "sizing/example", "version": 3, "sha256": hashlib.sha256(content()).hexdigest()}
    ]


def test_both_engines_find_the_same_hash_of_every_packaged_file():
    """[RF3] The TypeScript side hashes the text that Vite bundles."""
    script = (
        "import { createServer } from 'vite';"
        "const server = await createServer({ configFile: false, logLevel: 'error',"
        " server: { middlewareMode: true, ws: false, watch: null, fs: { allow: ['..'] } },"
        " optimizeDeps: { noDiscovery: true },"
        f" resolve: {{ alias: {{ '$clinical-data': {json.dumps(str(DATA))} }} }} }});"
        "const files = await server.ssrLoadModule('/src/clinical-rules/packaged-rule-files.ts');"
        "const hashes = await server.ssrLoadModule('/src/clinical-rules/rule-file.ts');"
        "console.log(JSON.stringify(Object.fromEntries(Object.entries("
        "files.readPackagedRuleFiles()).map(([path, text]) => [path, hashes.hashText(text)]))));"
        "await server.close();"
    )
    ended = subprocess.run(
        [node(), "--input-type=module", "-e", script],
        cwd=PWA,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr

    assert json.loads(ended.stdout) == {
        path: hashlib.sha256(bytes_).hexdigest()
        for path, bytes_ in read_packaged_rule_files().items()
    }


def test_the_packaged_files_are_those_on_disk():
    on_disk = {
        str(file.relative_to(DATA)): file.read_bytes()
        for file in Path(DATA).rglob("*.json")
        if file.name != "rule_file.schema.json"
    }

    assert read_packaged_rule_files() == on_disk
