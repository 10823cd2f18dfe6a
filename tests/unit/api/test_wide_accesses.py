"""Who had a patient's record: lists name whom they held, and what cannot is told apart."""

import io
import json

import pypdf
import pytest
from click.testing import CliRunner

from api.command_line import main
from api.storage.access_log import AccessEvent
from api.use_cases.export_patient import print_about_patient
from api.use_cases.gather_patient import gather_about_patient
from api.use_cases.name_handed_out import name_handed_out
from api.use_cases.note_access import MOST_RECORDS, NO_RECORD, note_access
from api.use_cases.search_access import AccessSearch, search_access
from tests.unit.api.clinic_story import Story
from tests.unit.api.desk_person import DeskPerson
from tests.unit.api.standing_unit import NOON_MS, StandingUnit

DAY_MS = 86_400_000
LISTS = [
    ("GET", "/api/cases/export", {}),
    ("GET", "/api/failsafe-list", {}),
    ("GET", "/api/failsafe-paper", {}),
    ("GET", "/api/follow-up-check", {"params": {"now": "true"}}),
    (
        "POST",
        "/api/implants/find",
        {"json": {"search": {"lots": ["L1"]}, "by": "staff/s-1", "because": "asked"}},
    ),
]


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "unit").serving() as unit:
        with unit.store.transaction():
            story = Story(unit.store, now_ms=NOON_MS - 10_000_000)
            story.write("patient/p-1", family_name="Greyfen", born_on="1960-01-01")
            story.write("case/c-1", patient="patient/p-1", stage="closed")
            story.write("coil_placed/k-1", case="case/c-1", device={"lot": "L1"})
            story.write("patient/p-2", family_name="Otherly")
        yield unit


@pytest.fixture
def tablet(unit):
    return unit.join("tablet-a")


def _search(unit, patient="patient/p-1", **more):
    return search_access(unit.store, AccessSearch(patient=patient, **more), zone="UTC")


def _wide(found):
    return [(one.who, one.verb, one.object, one.part) for one in found.may_have_held]


@pytest.mark.parametrize(("method", "path", "asked"), LISTS, ids=[path for _, path, _ in LISTS])
def test_a_list_that_hands_out_a_patient_is_found_by_that_patient(
    unit, tablet, method, path, asked
):
    """[AU9] [PRIV-02]

    Caught: each of these handed out the patient, its event named nobody, and the search for the
    patient found no event.
    """
    answer = unit.client.request(method, path, headers=tablet, **asked)
    assert answer.status_code == 200, answer.text

    (event,) = _search(unit).events
    assert event.who == "tablet-a"
    assert "patient/p-1" in event.records
    assert _search(unit, "case/c-1").events == (event,)
    assert _wide(_search(unit)) == []


def test_a_list_that_named_others_alone_is_no_event_of_a_patient(unit, tablet):
    """[AU9] Nor one that named nobody: it is known then that it did not hold the record."""
    ask = {"by": "staff/s-1", "because": "asked"}
    for lot in ("L1", "QX-770041"):
        sent = {"search": {"lots": [lot]}, **ask}
        answer = unit.client.post("/api/implants/find", json=sent, headers=tablet)
        assert answer.status_code == 200, answer.text
        unit.environment.moved["ms"] += 1_000

    found = _search(unit, "patient/p-2")
    assert (found.events, found.may_have_held) == ((), ())
    events = search_access(unit.store, AccessSearch(), zone="UTC").events
    assert events[0].records == (NO_RECORD,)


def test_a_whole_stream_may_have_held_a_patient_and_is_told_apart(unit, tablet):
    """[AU9] By the streams that the patient's records travel in, as often as it was read.

    Caught: a device that read all of booking and care was in no answer.
    """
    desk = unit.join("desk-b", "booking")
    for stream in ("care", "booking", "unit"):
        unit.pull(tablet, stream)
    unit.pull(desk, "booking")
    unit.environment.moved["ms"] += 3_600_000
    unit.pull(tablet, "booking")
    unit.client.get("/api/exchange/snapshot", params={"stream": "booking"}, headers=desk)
    unit.client.get("/api/decisions", headers=desk)

    found = _search(unit)
    assert found.events == ()
    assert sorted(_wide(found)) == [
        ("desk-b", "read", "decisions", ""),
        ("desk-b", "read", "snapshot", "booking"),
        ("desk-b", "read", "stream", "booking"),
        ("tablet-a", "read", "stream", "booking"),
        ("tablet-a", "read", "stream", "care"),
    ]
    (twice,) = [one for one in found.may_have_held if one.times == 2]
    assert (twice.who, twice.part) == ("tablet-a", "booking")
    assert twice.last_ms - twice.first_ms == 3_600_000
    assert found.names["desk-b"] == "Desk 1"
    # Of one who is nowhere on record nobody had anything.
    assert _wide(_search(unit, "patient/p-9")) == []
    # Of a patient without a case nothing travels in care.
    assert ("tablet-a", "read", "stream", "care") not in _wide(_search(unit, "patient/p-2"))
    assert {who for who, *_ in _wide(_search(unit, device="desk-b"))} == {"desk-b"}


def test_who_followed_the_stream_before_is_told_and_who_had_a_list_before_is_not(unit, tablet):
    """[AU9] A page that goes on is not noted, so that who began long ago reads on unnoted.

    Caught, planted: the days that were asked for left out who had begun before them.
    """
    unit.pull(tablet, "booking")
    unit.client.get("/api/reminders", headers=tablet)
    unit.environment.moved["ms"] += 2 * DAY_MS
    with unit.store.transaction():
        story = Story(unit.store, device="desk-c", now_ms=unit.environment.now_ms())
        story.write("patient/p-3", family_name="Latecomer")

    assert _wide(_search(unit, "patient/p-3")) == [("tablet-a", "read", "stream", "booking")]
    assert len(_wide(_search(unit, "patient/p-2"))) == 2
    assert _wide(_search(unit, "patient/p-2", from_on="2026-09-23")) == [
        ("tablet-a", "read", "stream", "booking")
    ]
    assert _wide(_search(unit, "patient/p-2", to_on="2026-09-20")) == []


def test_of_more_than_a_line_holds_the_rest_may_have_been_held(unit):
    """[AU1] [AU9] Patients before cases; a long reason hides nothing of it."""
    many = tuple(f"patient/x-{number}" for number in range(MOST_RECORDS + 1))
    assert name_handed_out(many, ("case/c-1",)) == many
    assert name_handed_out((), ("", "case/c-1")) == ("case/c-1",)
    assert name_handed_out(("",)) == (NO_RECORD,)
    event = AccessEvent(
        at_ms=NOON_MS,
        asker="machine",
        verb="export",
        object="cases",
        records=many,
        why="of a long reason " * 60,
    )
    note_access(unit.store, event)

    (wide,) = _search(unit).may_have_held
    assert (wide.asker, wide.object, wide.times) == ("machine", "cases", 1)


def test_what_is_no_reading_of_patients_may_not_have_held_one(unit, tablet):
    """[AU9] Log-ins, papers of others, and what was refused."""
    DeskPerson(unit).log_in()
    unit.client.get("/api/cases/export", headers=unit.join("desk-b", "booking"))
    note_access(
        unit.store,
        AccessEvent(
            at_ms=NOON_MS, asker="device", verb="read", object="paper", records=("case/c-9",)
        ),
    )

    assert _search(unit).may_have_held == ()
    assert len(search_access(unit.store, AccessSearch(), zone="UTC").events) >= 3


def test_the_export_of_a_patient_tells_both(unit, tablet):
    """[AU9] [PRIV-04] In the file and on paper.

    Caught: who had read the whole stream stood in neither.
    """
    unit.client.get("/api/failsafe-list", headers=tablet)
    unit.pull(tablet, "booking")

    about = gather_about_patient(unit.store, "patient/p-1", now_ms=NOON_MS)

    assert [(one.verb, one.object) for one in about.access] == [("read", "failsafe-list")]
    assert _wide(about) == [("tablet-a", "read", "stream", "booking")]
    pdf = pypdf.PdfReader(io.BytesIO(print_about_patient(about, on="2026-09-21")))
    paper = " ".join(" ".join(page.extract_text() for page in pdf.pages).split())
    assert "Who may have held them" in paper
    assert "may have held this record" in paper
    assert "read stream booking" in paper


def test_the_command_tells_them_apart_with_a_sentence(unit, tablet):
    """[AU9] Also as JSON, from a server that is not running; a search of no patient has none.

    Caught: `crura audit search --patient` ended with "Events: 0." after a whole stream was read.
    """
    unit.pull(tablet, "booking")
    unit.store.close()

    def run(*words):
        result = CliRunner().invoke(main, [*words, "--data", str(unit.folder)])
        assert result.exit_code == 0, result.output
        return result.output

    said = run("audit", "search", "--patient", "patient/p-1")
    assert "May have held this record: 1. These were handed whole streams" in said
    assert "Tablet 1  bedside  read stream booking  once  2026-09-21" in said
    told = json.loads(run("audit", "search", "--patient", "patient/p-1", "--format", "json"))
    assert [one["object"] for one in told["may_have_held"]] == ["stream"]
    assert "May have held" not in run("audit", "search")
