"""Commands that read do so beside a running server too: same words, same files, same trail.

Each is run in a store that nobody serves and in a copy of it that a server holds open. Caught: each
said to stop the server and try again.
"""

import hashlib
import json
import shutil

import pytest
from click.testing import CliRunner

from api.clinical_rules.examples import EXAMPLES
from api.command_line import main
from api.command_parts import ENVIRONMENT
from api.storage.running_server import RunningServer, note_running_server
from api.storage.unit_store import open_unit_store
from tests.browser.unit_server import UnitServer, free_port
from tests.unit.api.clinic_story import Story, tell_small_clinic
from tests.unit.api.standing_unit import NOON_MS
from tests.unit.api.test_letters import propose, settings_file

STORIES = ("seed_scenarios/00_unit.json", "seed_scenarios/07_n_butyl_with_oil.json")
CASE = "case/oxbarrow-1"
PICTURE = b"\xff\xd8\xff\xe0 a still picture"
NOTED = ("asker", "who", "role", "device", "verb", "object", "records", "why", "outcome")
# What one second parts: when an export was made.
_MADE_AT = ("timestamp",)


class Folder:
    """A data folder, the commands that are run on it, and what they leave."""

    def __init__(self, unit, out):
        self.unit, self.out = unit, out

    def run(self, *arguments, stdin=""):
        """Return exit code, both outputs, the files that were written, and what was noted."""
        shutil.rmtree(self.out, ignore_errors=True)
        self.out.mkdir()
        told = [one.replace("OUT", str(self.out)) for one in arguments]
        done = CliRunner().invoke(main, [*told, "--data", str(self.unit)], input=stdin)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        said = [text.replace(str(self.out), "OUT") for text in (done.stdout, done.stderr)]
        files = {
            str(path.relative_to(self.out)): _sound(path.read_bytes())
            for path in sorted(self.out.rglob("*"))
            if path.is_file()
        }
        return done.exit_code, [_sound(said[0].encode()), said[1]], files, self.noted()

    def noted(self):
        """Return what was noted since this was asked last."""
        told = CliRunner().invoke(
            main, ["audit", "search", "--format", "json", "--data", str(self.unit)]
        )
        found = []
        for event in json.loads(told.stdout)["events"][1:]:
            if event["object"] == "access-events":
                break
            found.append({name: event[name] for name in NOTED if name in event})
        return found


def _sound(content):
    """Return what was written without the moment at which it was."""
    try:
        told = json.loads(content)
    except ValueError:
        return content
    return {key: one for key, one in told.items() if key not in _MADE_AT} if told else told


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same unit twice: in a folder of its own, and held open by a server."""
    place = tmp_path_factory.mktemp("beside")
    alone, served = (Folder(place / name, place / f"out-{name}") for name in ("alone", "served"))
    today = ENVIRONMENT.today()
    loaded = CliRunner().invoke(
        main, ["load-scenario", *STORIES, "--as-if-today", today, "--data", str(alone.unit)]
    )
    assert loaded.exit_code == 0, loaded.output
    store = open_unit_store(alone.unit, new_generation="generation-1")
    propose(store, settings_file())
    story = Story(store, device="desk-z", now_ms=NOON_MS)
    with store.transaction():
        store.devices.keep("desk-y", "Desk", "booking", "token-y", joined_ms=NOON_MS)
        tell_small_clinic(story, today)
        story.write("patient/p-3", family_name="Greyfen \u4e2d")
        file = {"sha256": hashlib.sha256(PICTURE).hexdigest(), "bytes": len(PICTURE)}
        story.write("picture/i-1", case="case/c-2", file={**file, "media_type": "image/jpeg"})
    store.pictures.append(file["sha256"], "tablet-a", 0, PICTURE)
    store.pictures.settle(file["sha256"], "tablet-a")
    store.close()
    shutil.copytree(alone.unit, served.unit)
    server = UnitServer(served.unit)
    server.start()
    try:
        yield alone, served
    finally:
        server.stop()


@pytest.mark.parametrize(
    ("command", "exit_code", "part", "notes"),
    [
        (("stock",), 0, "Items: ", 0),
        (("stock", "--on", "2031-01-01", "--format", "json"), 0, "", 0),
        (("print-document", "implant-card", CASE, "--to", "OUT/card.pdf"), 0, "is in OUT", 1),
        (
            (
                *("print-document", "patient-leaflet", "oxbarrow-1"),
                *("--language", "de", "--to", "OUT/leaflet.pdf"),
            ),
            *(0, "written in de", 1),
        ),
        (("export-fhir", CASE), 0, "", 1),
        (("export-fhir", "oxbarrow-1", "--out", "OUT/case.json"), 0, "", 1),
        (("export-cases", "--json", "OUT/cases.json"), 0, "", 1),
        (("export-cases", "--csv", "OUT/cases"), 0, "", 1),
        (("export-visits", "--to", "OUT/visits.json"), 0, "local number alone", 1),
        (("follow-up-measures",), 0, "the unit: ", 0),
        (("follow-up-measures", "--from", "2026-01-01", "--format", "json"), 0, "", 0),
        (("letters", "appointment", "visit/v-1", "visit/x", "--to", "OUT/l.pdf"), 0, "ers: 1", 1),
        (("reminders", "--to", "OUT/reminders.csv"), 0, "Reminders: ", 1),
        (("failsafe-list", "--csv", "OUT/list.csv"), 0, "TH-2  Larkmere", 1),
        (("failsafe-list", "--pdf", "OUT/list.pdf"), 0, "TH-2  Larkmere", 2),
        (("check-follow-up",), 1, "TH-2", 1),
        (("check-follow-up", "--on", "2027-06-01", "--format", "json"), 1, "", 1),
        (("retention",), 0, " held", 1),
        (("propose-bookings", "--may-move"), 0, "Nothing was written", 1),
        (("rule-health",), 0, "Rules that came up: ", 0),
        (("audit", "held-by", "desk-y", "--at", "2031-03-01T18:30"), 0, "held anything: 4.", 1),
        (("closed-days",), 0, "Closed days of ", 0),
    ],
)
def test_a_command_that_reads_does_the_same_beside_a_running_server(
    both, command, exit_code, part, notes
):
    """[AU5] Planted and caught, each: a paper noted under the id that was typed, which names no
    record; an export noted beside the server alone."""
    alone, served = both
    here, there = alone.run(*command), served.run(*command)

    assert here[0] == exit_code, here[1]
    assert part in str(here[1][0])
    assert len(here[3]) == notes
    assert there == here
    assert {event["asker"] for event in there[3]} <= {"machine"}
    assert "(no record)" not in json.dumps([one["records"] for one in there[3]])
    assert bool(there[2]) == any("OUT" in one for one in command)


@pytest.mark.parametrize(
    ("patient", "exit_code", "part", "names"),
    [
        ("patient/p-2", 0, "in clear", ("about.json", "about.pdf", "picture")),
        ("patient/p-3", 2, "The JSON holds all of it", ("about.json",)),
    ],
)
def test_all_about_a_patient_is_written_beside_a_running_server(
    both, patient, exit_code, part, names
):
    """[PRIV-04] [AU5] Its pictures too; where the font lacks a letter, all but the PDF."""
    typed = {"patient/p-2": " th-2 "}.get(patient, patient)
    command = ("patient-export", typed, "--because", " asked by letter ", "--to", "OUT/p")
    written = []
    for one in both:
        code, said, files, noted = one.run(*command)
        assert (code, part in str(said)) == (exit_code, True), said
        about = files["p/about.json"]
        pictures = [content for name, content in files.items() if name.endswith(".picture")]
        assert pictures == [PICTURE] * ("picture" in names)
        assert {name.rpartition(".")[2] for name in files} == {
            name.rpartition(".")[2] for name in names
        }
        assert "p/about.pdf" not in files or files["p/about.pdf"].startswith(b"%PDF")
        assert [(event["records"], event["why"]) for event in noted] == [
            ([patient], "asked by letter")
        ]
        written.append((said, sorted(files), about["records"], about["pictures"], noted))

    assert written[0] == written[1]


@pytest.mark.parametrize(
    ("command", "part"),
    [
        (("stock", "--on", "soon"), "soon is no date"),
        (("print-document", "implant-card", "none", "--to", "OUT/x.pdf"), "no case on record"),
        (("print-document", "implant-card", "a/../b", "--to", "OUT/x.pdf"), "no case on record"),
        (("export-fhir", "nobody"), "no case on record"),
        (("export-fhir", "patient/p-1"), "no case on record"),
        (("export-fhir", "../cases/export"), "no case on record"),
        (("letters", "appointment", "Greyfen Ann", "--to", "OUT/x.pdf"), "names no visit"),
        (("follow-up-measures", "--from", "soon"), "no date"),
        (("check-follow-up", "--on", "soon"), "no date"),
        (("reminders", "--from", "soon", "--to", "OUT/x.csv"), "no days"),
        (("propose-bookings", "--until", "soon"), "date"),
        (("audit", "held-by", "desk-y", "--at", "noon"), "is no moment"),
        (
            ("patient-export", "patient/none", "--because", "a letter", "--to", "OUT/p"),
            "no patient on record",
        ),
        (
            ("patient-export", "patient/../stock", "--because", "a letter", "--to", "OUT/p"),
            "no patient on record",
        ),
        (
            ("patient-export", "../stock", "--because", "a letter", "--to", "OUT/p"),
            "bears that local number",
        ),
        (("patient-export", " ", "--because", "a letter", "--to", "OUT/p"), "Name one patient"),
        (("patient-export", "patient/none", "--because", " x ", "--to", "OUT/p"), "Say why"),
        (("audit", "held-by", "desk-x", "--at", "2031-03-01T18:30"), "never joined this unit"),
    ],
)
def test_what_is_refused_is_refused_in_the_same_sentence(both, command, part):
    """Whatever is typed goes into no other address of the server, and into no trail."""
    alone, served = both
    here, there = alone.run(*command), served.run(*command)

    assert here[0] == 2
    assert here[1][0] == b""
    assert len(here[1][1].strip().splitlines()) == 1
    assert part in here[1][1]
    assert there == here


@pytest.mark.parametrize(
    ("kind", "stdin", "exit_code", "part"),
    [
        ("liver-scores", json.dumps(EXAMPLES["liver-scores"]), 0, "child_pugh"),
        ("liver-scores", '{"bili": 1}', 2, "bili"),
        ("liver-scores", "{}", 2, "Add what is missing"),
        ("liver-scores", "[]", 2, "one JSON object"),
        ("../stock", "{}", 2, "There is no calculation"),
    ],
)
def test_a_calculation_of_a_unit_is_answered_beside_its_server(both, kind, stdin, exit_code, part):
    """The rule files in force are those of the unit, whoever has its store open."""
    alone, served = both
    here, there = (one.run("calculate", kind, stdin=stdin) for one in (alone, served))

    assert here[0] == exit_code
    assert part in str(here[1])
    assert there == here


def test_commands_that_need_the_store_alone_say_so_still(both):
    """What checks or changes the whole store is not done behind a server's back."""
    _, served = both
    for command in (("verify",), ("rebuild-views",), ("check-plans",), ("retention", "--start")):
        code, (told, said), files, _ = served.run(*command)

        assert (code, told, files) == (2, b"", {})
        assert "stop it" in said
        assert len(said.strip().splitlines()) == 1


def test_a_server_that_answers_no_more_is_told_in_a_sentence(tmp_path):
    """The note of a server stands, the folder is held, and nobody listens at the address."""
    store = open_unit_store(tmp_path, new_generation="generation-1")
    note_running_server(tmp_path, RunningServer(f"http://127.0.0.1:{free_port()}", "key"))
    try:
        for command in (("stock",), ("export-fhir", "c-1")):
            done = CliRunner().invoke(main, [*command, "--data", str(tmp_path)])
            assert (done.exit_code, done.stdout) == (2, "")
            assert "did not answer about" in done.stderr
            assert len(done.stderr.strip().splitlines()) == 1
    finally:
        store.close()
