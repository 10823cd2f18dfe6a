"""Privacy by command and over HTTP: the trail, erasure, what is due, all about a patient."""

import io
import json

import msgspec
import pypdf
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.documents.printing import print_pdf
from api.storage.unit_store import open_unit_store
from api.use_cases.export_patient import print_about_patient
from api.use_cases.gather_patient import gather_about_patient
from api.use_cases.list_held_by import list_held_by
from api.use_cases.note_access import AccessEvent, note_access
from api.use_cases.retention import (
    FILE_NAME,
    packaged_retention_file,
    read_retention_classes,
    report_retention,
)
from tests.browser.unit_server import UnitServer
from tests.unit.api.clinic_story import Story
from tests.unit.api.desk_person import DeskPerson
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, Writer, assert_problem, texts

DAY_MS = 86_400_000
TODAY = "2026-09-21"


def _tell(store):
    story = Story(store, now_ms=NOON_MS)
    with store.transaction():
        for one in ("w", "x"):
            story.write(
                f"staff/{one}", name=f"Dr {one} Quillfeather", role="data-manager", active=True
            )
        story.write("patient/p-1", family_name="Greyfen", local_id="TH-0042")
        story.write("patient/p-2", family_name="Otherly")
        story.write("case/c-1", patient="patient/p-1", stage="closed", indication="bled once")
        story.write("target/t-1", case="case/c-1", label="Varix A")
    return story


@pytest.fixture
def folder(tmp_path):
    store = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    _tell(store)
    store.close()
    return tmp_path / "unit"


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "served").serving() as serving:
        _tell(serving.store)
        yield serving


def _run(folder, *words, code=0):
    result = CliRunner().invoke(main, [*words, "--data", str(folder)])
    assert result.exit_code == code, result.output
    return result.output


def test_the_trail_is_searched_and_its_end_is_kept_outside_and_held_against_it(folder, tmp_path):
    """[AU2] [AU3] [AU5] [PRIV-02]"""
    head = tmp_path / "head.json"
    _run(folder, "audit", "head", "--to", str(head), code=2)
    _run(folder, "export-visits", "--to", str(tmp_path / "visits.json"))
    out = _run(folder, "audit", "search")
    assert "export visits" in out
    assert "search access-events" in out
    found = json.loads(_run(folder, "audit", "search", "--format", "json"))
    assert [one["seq"] for one in found["events"]] == [3, 2, 1]
    assert found["events"][0]["asker"] == "machine"
    assert "is no day" in _run(folder, "audit", "search", "--from", "today", code=2)

    _run(folder, "audit", "head", "--to", str(head))
    _run(folder, "verify", "--access-head", str(head))
    store = open_unit_store(folder, new_generation="x")
    with store.transaction():
        store.access.connection.execute("DELETE FROM access_event WHERE seq > 2")
        store.access.connection.execute("DELETE FROM access_head")
    store.close()
    _run(folder, "verify")
    assert "was reached once" in _run(folder, "verify", "--access-head", str(head), code=2)
    head.write_text("{}")
    assert "no head" in _run(folder, "verify", "--access-head", str(head), code=2)


def test_records_are_erased_by_two_people_after_a_dry_run(folder):
    """[ER2] [PRIV-03]"""
    out = _run(folder, "erase", "patient/p-1", "--dry-run")
    assert "target/t-1" in out
    assert "content would go: 3" in out
    by_two = ("--decided-by", "staff/w", "--agreed-by", "staff/x")
    assert "Say why" in _run(folder, "erase", "patient/p-1", *by_two, code=2)
    _run(folder, "erase", code=2)
    _run(folder, "erase", "patient/p-1", "--again", code=2)

    out = _run(folder, "erase", "patient/p-1", "--because", "asked for", *by_two)

    assert "content are gone: 3" in out
    assert "Backups made before hold it still" in out
    assert "was erased already" in _run(folder, "erase", "patient/p-1", "--dry-run", code=2)
    assert "0 entries" in _run(folder, "erase", "--again")
    _run(folder, "verify")


@pytest.mark.parametrize(("years", "due"), [(2, []), (1, ["case/c-1"])])
def test_what_is_due_follows_the_rule_of_the_unit_and_nothing_is_deleted(folder, years, due):
    """[PRIV-05] A year and a day after the last entry, of a record kept one year or two."""
    content = json.loads(packaged_retention_file())
    assert {one["keep_years"] for one in content["classes"]} == {None}
    for one in content["classes"]:
        one["keep_years"] = years
    store = open_unit_store(folder, new_generation="x")
    try:
        asked = report_retention(store, read_retention_classes(folder), today="2099-01-01")
        (folder / FILE_NAME).write_text(json.dumps(content))
        classes = read_retention_classes(folder)
        before = store.operations.count()
        last_day = report_retention(store, classes, today="2027-09-21")
        found = report_retention(store, classes, today="2027-09-22")
        assert store.operations.count() == before
    finally:
        store.close()
    # Nobody decided: however old it is, nothing is due.
    assert {one.due_count for one in asked} == {0}
    assert {one.due_count for one in last_day} == {0}
    of = {one.id: one for one in found}
    assert list(of["cases"].due) == due
    assert of["cases"].oldest_on == "2026-09-21"
    # The patient with a case is not due alone.
    assert list(of["patients"].due) == (["patient/p-2"] if due else [])


def test_the_report_asks_the_unit_and_a_wrong_file_is_told(folder):
    """[PRIV-05]"""
    assert "cases: 1 held, the oldest of 2026-09-21; ask the unit" in _run(folder, "retention")
    _run(folder, "retention", "--start")
    _run(folder, "retention", "--start", code=2)
    (folder / FILE_NAME).write_text('{"version":1,"classes":[{"id":"cases"}]}')
    assert "is no list of classes" in _run(folder, "retention", code=2)


def test_all_about_a_patient_is_everything_and_nothing_of_another(folder, tmp_path):
    """[PRIV-04] The planted bug it has caught: the access events were left out."""
    store = open_unit_store(folder, new_generation="x")
    story = Story(store, device="desk-b", now_ms=NOON_MS)
    with store.transaction():
        story.write("recall_notice/r-1", reason="names", about="case/c-1")
        story.write("patient/p-1", family_name="Greyfen-Other")
    store.close()
    target = tmp_path / "out"

    _run(folder, "patient-export", "patient/p-1", "--because", "asked for", "--to", str(target))

    about = json.loads((target / "about.json").read_text())
    assert [one["record"] for one in about["records"]] == ["patient/p-1", "case/c-1", "target/t-1"]
    assert [one["record"] for one in about["elsewhere"]] == ["recall_notice/r-1"]
    named = about["records"][0]
    assert named["shown"]["local_id"] == ["TH-0042"]
    assert len(named["entries"]) == 2
    (event,) = about["access"]
    assert (event["verb"], event["why"]) == ("export", "asked for")
    text = (target / "about.json").read_text()
    assert "Otherly" not in text
    pages = pypdf.PdfReader(io.BytesIO((target / "about.pdf").read_bytes())).pages
    words = " ".join(" ".join(page.extract_text() for page in pages).split())
    for word in ("Greyfen", "TH-0042", "bled once", "Varix A", "export patient", "asked for"):
        assert word in words, word
    assert "Otherly" not in words
    assert "no patient on record" in _run(
        folder, "patient-export", "patient/none", "--because", "asked", "--to", str(target), code=2
    )


def test_a_letter_that_the_font_lacks_is_told_and_the_json_is_there(folder, tmp_path):
    """[PRIV-04]"""
    store = open_unit_store(folder, new_generation="x")
    story = Story(store, device="desk-b", now_ms=NOON_MS)
    with store.transaction():
        story.write("patient/p-2", given_name="\u4e2d")
    store.close()
    target = tmp_path / "out"
    out = _run(
        folder, "patient-export", "patient/p-2", "--because", "asked", "--to", str(target), code=2
    )
    assert "The JSON holds all of it" in out
    assert "\u4e2d" in (target / "about.json").read_text()


def test_a_patient_with_many_records_is_printed_whole(tmp_path):
    """[PRIV-04] 300 records with long texts, each cut on paper and whole in the JSON."""
    store = open_unit_store(tmp_path, new_generation="x")
    story = Story(store, now_ms=NOON_MS)
    with store.transaction():
        story.write("patient/p-1", family_name="Greyfen")
        story.write("case/c-1", patient="patient/p-1")
        for number in range(300):
            story.write(f"target/t-{number}", case="case/c-1", label="y" * 900)
    about = gather_about_patient(store, "patient/p-1", now_ms=NOON_MS)
    store.close()
    assert len(about.records) == 302
    assert len(pypdf.PdfReader(io.BytesIO(print_about_patient(about, on=TODAY))).pages) > 10


def test_whose_records_a_lost_device_may_have_held(unit):
    """[PRIV-07] The planted bug it has caught: entries that came after its last exchange."""
    unit.environment.moved["ms"] = 1_000
    headers = unit.join("tablet-a")
    unit.handshake(headers, "tablet-a")
    later = Writer("tablet-b")
    device_b = unit.join("tablet-b")
    unit.environment.moved["ms"] = 10 * DAY_MS
    unit.push(
        device_b,
        "tablet-b",
        [
            (one.envelope_text, one.body_text)
            for one in [later.write("patient/p-9", "booking", set={"family_name": "Late"})]
        ],
    )

    found = list_held_by(unit.store, "tablet-a", at_ms=NOON_MS + 20 * DAY_MS)
    assert found.patients == ("patient/p-1", "patient/p-2")
    assert found.until_ms == NOON_MS + 1_000
    assert list_held_by(unit.store, "tablet-a", at_ms=NOON_MS - DAY_MS).patients == ()
    with unit.store.transaction():
        ahead = AccessEvent(
            at_ms=NOON_MS + 99 * DAY_MS,
            asker="device",
            who="tablet-a",
            verb="read",
            object="patient",
            records=("patient/p-1",),
        )
        note_access(unit.store, ahead, noted_ms=NOON_MS + 11 * DAY_MS)
    for days, seen in ((11, True), (10, False)):
        then = list_held_by(unit.store, "tablet-a", at_ms=NOON_MS + days * DAY_MS)
        assert (ahead.at_ms in [one.at_ms for one in then.opened]) is seen
    booking = unit.join("desk", "booking")
    unit.handshake(booking, "desk")
    assert "patient/p-9" in list_held_by(unit.store, "desk", at_ms=NOON_MS + 20 * DAY_MS).patients


def test_a_lost_device_is_asked_for_by_command(folder):
    """[PRIV-07]"""
    assert "never joined" in _run(
        folder, "audit", "held-by", "tablet-z", "--at", "2026-03-01T18:30", code=2
    )
    assert "is no moment" in _run(folder, "audit", "held-by", "tablet-z", "--at", "noon", code=2)


def test_the_data_manager_exports_with_a_reason_and_reads_what_is_due(unit):
    """[PRIV-04] [PRIV-05] [SEC-21]"""
    person = DeskPerson(unit, role="data-manager")
    assert person.log_in().status_code in (200, 201)
    asked = {"patient": "patient/p-1", "why": "asked for by letter"}

    answer = person.ask("POST", "/api/patient-exports", asked)

    assert answer.status_code == 200, answer.text
    assert answer.json()["about"]["records"][0]["record"] == "patient/p-1"
    access = answer.json()["about"]["access"]
    assert [(one["who"], one["why"]) for one in access] == [(person.staff, "asked for by letter")]
    due = person.ask("GET", "/api/retention")
    assert due.status_code == 200, due.text
    assert {one["keep_years"] for one in due.json()["classes"]} == {None}
    trail = person.ask("GET", "/api/access-events?patient=patient/p-1")
    assert trail.status_code == 200, trail.text
    assert trail.json()["events"][0]["verb"] == "search"

    without = person.ask("POST", "/api/patient-exports", {"patient": "patient/p-1", "why": ""})
    assert without.status_code in (400, 422)


def test_a_letter_that_the_font_lacks_keeps_nobody_from_the_rest_at_the_desk(unit):
    """[PRIV-04] The planted bug it has caught: the whole export was refused."""
    tablet = unit.join("tablet-a", "bedside")
    named = Writer("tablet-a").write(
        "patient/p-4", stream="booking", set={"family_name": "Greyfen \u4e2d"}
    )
    assert unit.push(tablet, "tablet-a", texts(named)).json()["quarantined"] == []
    person = DeskPerson(unit, role="data-manager")
    person.log_in()

    asked = {"patient": "patient/p-4", "why": "asked for by letter"}
    told = person.ask("POST", "/api/patient-exports", asked).json()

    assert told["about"]["records"][0]["shown"]["family_name"] == ["Greyfen \u4e2d"]
    assert told["pdf"] == ""
    assert "The JSON holds all of it" in told["trouble"]


def test_a_patient_is_found_by_the_local_number_that_people_have(unit):
    """[PRIV-04] Whose number two people disagree on is found by both. Caught: who was looked for in
    vain was noted as a record; of two with one number, whom the refusal names, nothing was."""
    desk = Writer("desk")
    bearers = {"patient/p-5": "TH-77", "patient/p-6": "TH-78", "patient/p-7": "th -78"}
    written = [desk.write(one, "booking", set={"local_id": it}) for one, it in bearers.items()]
    written.append(desk.write("patient/p-5", "booking", set={"local_id": "TH-7"}))
    answer = unit.push(unit.join("desk", "booking"), "desk", texts(*written))
    assert answer.json()["quarantined"] == []
    person = DeskPerson(unit, role="data-manager")
    person.log_in()

    def ask(typed):
        return person.ask("POST", "/api/patient-exports", {"patient": typed, "why": "a letter"})

    assert {ask(one).json()["about"]["patient"] for one in (" th-77", "TH-7")} == {"patient/p-5"}
    assert_problem(ask("TH-999"), 422, "bears that local number")
    assert_problem(ask("TH-78"), 422, "2 patients bear that local number")
    trail = person.ask("GET", "/api/access-events").json()["events"]
    noted = [one["records"] for one in trail if one["object"] == "patient"]
    both = ["patient/p-6", "patient/p-7"]
    assert noted == [both, [], ["patient/p-5"], ["patient/p-5"]]


def test_a_log_in_hands_out_five_patients_in_an_hour_at_most(unit):
    """[SEC-06] Caught: devices alone had limits, so that one session could take every patient."""
    person, other = (DeskPerson(unit, name, "data-manager") for name in ("Pell Moor", "Una Fell"))
    person.log_in()
    other.log_in()
    asked = {"patient": "patient/p-1", "why": "asked for by letter"}

    for _ in range(5):
        assert person.ask("POST", "/api/patient-exports", asked).status_code == 200
    refused = person.ask("POST", "/api/patient-exports", asked)

    assert_problem(refused, 429, "Wait")
    assert int(refused.headers["retry-after"]) <= 720
    assert other.ask("POST", "/api/patient-exports", asked).status_code == 200
    assert person.ask("GET", "/api/retention").status_code == 200


@pytest.mark.parametrize("role", ["auditor", "unit-admin", "booking"])
def test_others_at_the_desk_may_not(unit, role):
    """[SEC-21]"""
    person = DeskPerson(unit, role=role)
    person.log_in()
    asked = {"patient": "patient/p-1", "why": "curious"}
    assert_problem(person.ask("POST", "/api/patient-exports", asked), 403)
    assert_problem(person.ask("GET", "/api/retention"), 403)
    trail = person.ask("GET", "/api/access-events")
    assert trail.status_code == (200 if role == "auditor" else 403)


def test_the_empty_paper_is_printed():
    """[PRIV-04] A patient of whom nothing is held but a name."""
    data = {
        "title": "t",
        "made_at": "2026-03-16",
        "records": [],
        "elsewhere": [],
        "set_aside": [],
        "access": [],
        "may_have_held": [],
        "may_have_held_says": "",
        "pictures": [],
    }
    assert print_pdf("about_patient", msgspec.to_builtins(data), on=TODAY).startswith(b"%PDF")


def test_a_running_server_answers_the_commands_of_the_trail(tmp_path):
    """[AU2] [AU5] A daily copy of the head needs no stop of the server."""
    folder, head = tmp_path / "unit", tmp_path / "head.json"
    server = UnitServer(folder)
    server.start()
    try:
        out = _run(folder, "audit", "search", "--patient", "patient/p-1")
        assert "machine" in out
        assert "search access-events" in out
        assert "is no day" in _run(folder, "audit", "search", "--from", "today", code=2)
        _run(folder, "audit", "head", "--to", str(head))
    finally:
        server.stop()
    _run(folder, "verify", "--access-head", str(head))
