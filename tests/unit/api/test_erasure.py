"""Erasure: what is destroyed is in no byte of the files, and the logs verify as before."""

import base64
import contextlib
import hashlib
import random
import sqlite3
from pathlib import Path

import msgspec
import pytest

from api import serving
from api.storage import snapshots
from api.storage.backups import write_backup
from api.storage.connection import FILE_NAME
from api.storage.device_store import Device
from api.storage.erasure_list import FILE_NAME as LIST_NAME
from api.storage.erasure_list import read_erasure_list
from api.storage.unit_store import open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.answer_pull import answer_pull
from api.use_cases.answer_snapshot import seal_segments
from api.use_cases.erase_records import Consent, erase_again, erase_records
from api.use_cases.errors import NotAllowedError, UnreadablePushError
from api.use_cases.plan_erasure import plan_erasure
from api.use_cases.receive_push import receive_push
from api.use_cases.receive_resupply import PUT_BACK, receive_resupply
from api.use_cases.restore_unit import restore_unit
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.verify_log import verify_log
from sync.operation import decode_body, read_operation
from tests.unit.api.standing_unit import NOON_MS, StandingEnvironment, Writer, forged, texts

NAME = "Quillonby-Marwick"
TABLET = Device("tablet-a", "tablet-a", "bedside", None)
PICTURE = b"\x89PNG\r\n\x1a\n" + b"a drawn varix" * 50
DIGEST = hashlib.sha256(PICTURE).hexdigest()


class _Chances:
    def __init__(self):
        self.drawn = 0

    def __call__(self):
        self.drawn += 1
        return Chance(f"id{self.drawn}", f"epoch{self.drawn}", f"{self.drawn:032x}", NOON_MS)


def _fill(store, chances):
    for name in ("Person One", "Person Two"):
        add_staff(store, name, "data-manager", chance=chances())
    writer = Writer("tablet-a")
    batch = [
        writer.write("patient/p1", "booking", set={"family_name": NAME, "local_id": f"{NAME}-1"}),
        writer.write("patient/p2", "booking", set={"family_name": "Other-Name"}),
        writer.write("case/c1", set={"patient": "patient/p1", "indication": f"{NAME} bleeds"}),
        writer.write("case/c2", set={"patient": "patient/p2", "indication": "second case"}),
        writer.write("picture/x1", set={"case": "case/c1", "file": {"sha256": DIGEST}}),
        writer.write("target/t1", set={"case": "case/c1", "label": f"{NAME} varix"}),
    ]
    receive_push(store, TABLET, texts(*batch), now_ms=NOON_MS)
    # One that is set aside, with a text of its own.
    other = writer.write("target/t2", set={"case": "case/c1", "label": f"{NAME} aside"})
    receive_push(store, TABLET, [forged(other)], now_ms=NOON_MS)
    store.pictures.append(DIGEST, "tablet-a", 0, PICTURE)
    store.pictures.settle(DIGEST, "tablet-a")
    return writer


@pytest.fixture
def chances():
    return _Chances()


@pytest.fixture
def store(tmp_path):
    opened = open_unit_store(tmp_path / "unit", new_generation="generation-1")
    yield opened
    opened.close()


@pytest.fixture
def writer(store, chances):
    return _fill(store, chances)


@pytest.fixture
def people(store, writer):
    with store.transaction():
        return [state.record for state in store.views.of_kind("staff")]


@pytest.fixture
def consent(people):
    return Consent(because="asked for by the patient", decided_by=people[0], agreed_by=people[1])


def _hits(folder):
    """Return every file in which a planted word stands, also squeezed bodies unpacked."""
    needles = [NAME.encode(), NAME.encode("utf-16-le"), base64.b64encode(NAME.encode())[:-2]]
    return [
        path.name
        for path in sorted(Path(folder).rglob("*"))
        if path.is_file()
        for content in [path.read_bytes()]
        if any(needle in content for needle in needles)
    ]


def _bodies(folder):
    """Return every text in the store, unpacked: a squeezed name is a name."""
    from api.storage.squeezed_bodies import unpack_bodies

    connection = sqlite3.connect(f"file:{folder / FILE_NAME}?mode=ro", uri=True)
    try:
        rows = connection.execute("SELECT content FROM bodies").fetchall()
        others = connection.execute("SELECT content FROM segment").fetchall()
    finally:
        connection.close()
    assert others == []
    return "\n".join(text for (content,) in rows for text in unpack_bodies(content))


def test_a_dry_run_says_what_would_go_and_changes_nothing(store, writer):
    """[ER1] [PRIV-03]"""
    before = store.operations.count()

    plan = plan_erasure(store, ["patient/p1"])

    # Of the last nothing is held but a text that lies aside and names its case.
    assert plan.records == ("case/c1", "patient/p1", "picture/x1", "target/t1", "target/t2")
    assert plan.bodies == 5
    assert plan.pictures == (DIGEST,)
    assert plan.implants == ()
    assert store.operations.count() == before
    assert NAME in str(store.views.state_of("patient/p1"))
    assert read_erasure_list(store.folder) == ()


def test_what_was_erased_is_in_no_byte_of_the_folder_and_every_log_verifies(
    store, writer, consent, chances, tmp_path, monkeypatch
):
    """[ER1] [ER4] [PRIV-03] The planted bugs it has caught: neither VACUUM nor zeros, so that
    the squeezed texts stood in free pages; segments left as they were; a text that lay aside
    under an erased case.
    """
    monkeypatch.setattr(snapshots, "SEGMENT_OPERATIONS", 3)
    assert seal_segments(store, "care") > 0
    squeezed = _squeezed_of(store)
    assert any(chunk in _raw(tmp_path / "unit") for chunk in squeezed)
    before = {
        operation.op_id: operation.hash
        for log in store.operations.logs()
        for operation in store.operations.of_log(*log)
    }
    assert NAME in _bodies_of_open(store)

    plan = erase_records(store, ["patient/p1"], consent, draw_chance=chances)

    assert plan.records == ("case/c1", "patient/p1", "picture/x1", "target/t1", "target/t2")
    found = verify_log(store)
    assert found.findings == ()
    after = {
        operation.op_id: operation.hash
        for log in store.operations.logs()
        for operation in store.operations.of_log(*log)
    }
    assert before.items() <= after.items()
    assert not store.pictures.is_whole(DIGEST)
    assert not any(chunk in _raw(tmp_path / "unit") for chunk in squeezed)
    # While it is open, and closed: neither file nor write-ahead log holds it.
    assert _hits(tmp_path / "unit") == []
    store.close()
    assert _hits(tmp_path / "unit") == []
    assert NAME not in _bodies(tmp_path / "unit")


def _squeezed_of(store):
    """Return a stretch of every squeezed piece and segment: what no reader can see in them."""
    connection = store.erasures._connection
    rows = connection.execute(
        "SELECT content FROM bodies WHERE id IN (SELECT bodies FROM log_entry JOIN record"
        " ON record.id = log_entry.record WHERE name = 'case/c1')"
        " UNION ALL SELECT content FROM segment"
    )
    return [content[20:60] for (content,) in rows]


def _raw(folder):
    return b"".join(path.read_bytes() for path in folder.iterdir() if path.is_file())


def _bodies_of_open(store):
    return "".join(
        operation.body_text or ""
        for log in store.operations.logs()
        for operation in store.operations.of_log(*log)
    )


def test_rewriting_the_file_copies_nothing_to_the_systems_temporary_folder(store, writer, tmp_path):
    """[ER1] [PRIV-03] The planted bug it has caught: the whole store in clear in /tmp, which a
    power cut leaves there.
    """
    connection = store.erasures._connection
    connection.execute("CREATE TABLE pad (content BLOB) STRICT")
    connection.executemany("INSERT INTO pad VALUES (randomblob(?))", [(500_000,)] * 20)
    folder, elsewhere, looked = str(tmp_path / "unit"), set(), []

    def look():
        looked.append(True)
        for one in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                opened = str(one.readlink())
                if "etilqs" in opened and not opened.startswith(folder):
                    elsewhere.add(opened)

    connection.set_progress_handler(look, 10)
    store.erasures.squeeze_file()
    connection.set_progress_handler(None, 0)

    assert looked
    assert elsewhere == set()


def test_the_needle_is_found_before(store, writer, tmp_path):
    """[ER1] Without this the search for bytes could find nothing at any time."""
    assert _hits(tmp_path / "unit") != []


def test_an_erased_record_shows_nothing_and_stops_nothing(store, writer, consent, chances):
    """[ER4]"""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)

    with store.transaction():
        assert [one.record for one in store.views.of_kind("patient")] == ["patient/p2"]
        assert [one.record for one in store.views.of_kind("case")] == ["case/c2"]
        state = store.views.state_of("patient/p1")
        rows = store.views.reads.rows()
    assert state is not None
    assert dict(state.fields) == {}
    assert not {"patient/p1", "case/c1"} & set(rows)
    page = answer_pull(store, TABLET, "care", after=0, limit=100, with_own=True)
    read = [read_operation(envelope, body) for _, envelope, body in page.operations]
    withheld = {one.record for one in read if one.body_text is None}
    assert {"patient/p1", "case/c1", "picture/x1", "target/t1"} - withheld <= {"patient/p1"}
    # What travels in the stream of bookings is withheld there just so.
    page = answer_pull(store, TABLET, "booking", after=0, limit=100, with_own=True)
    read = [read_operation(envelope, body) for _, envelope, body in page.operations]
    assert "patient/p1" in withheld | {one.record for one in read if one.body_text is None}


def test_the_decision_stands_in_the_log_and_in_the_access_log(store, writer, consent, chances):
    """[ER2] [AU5]"""
    erase_records(store, ["case/c1"], consent, draw_chance=chances)

    with store.transaction():
        (erasure,) = store.views.of_kind("erasure")
        (line,) = list(store.access.lines())
    named = erasure.fields["of"].values[-1].value
    assert named == ["case/c1", "picture/x1", "target/t1", "target/t2"]
    assert erasure.fields["agreed_by"].values[-1].value == consent.agreed_by
    assert (line.verb, line.who, line.records) == ("erase", consent.decided_by, tuple(named))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"because": "  "}, "Say why"),
        ({"agreed_by": "same"}, "Two people decide"),
        ({"agreed_by": "staff/nobody"}, "no active member"),
        ({"decided_by": "patient/p1"}, "no active member"),
    ],
)
def test_without_two_people_and_a_reason_nothing_is_erased(
    store, writer, consent, chances, change, words
):
    """[ER2]"""
    if change.get("agreed_by") == "same":
        change = {"agreed_by": consent.decided_by}
    wrong = msgspec.structs.replace(consent, **change)

    with pytest.raises(NotAllowedError, match=words):
        erase_records(store, ["patient/p1"], wrong, draw_chance=chances)

    assert NAME in str(store.views.state_of("patient/p1"))
    assert not (store.folder / LIST_NAME).exists()


def test_a_struck_record_goes_with_its_case_and_a_moved_one_stays_with_the_other(
    store, writer, consent, chances, tmp_path
):
    """[ER1] The planted bug it has caught: what was struck hung under nothing and stayed."""
    struck = writer.write("target/t5", set={"case": "case/c1", "label": f"{NAME} struck"})
    moved = writer.write("target/t6", set={"case": "case/c1", "label": "of the other"})
    again = writer.write("target/t6", set={"case": "case/c2"}, over={"case": (moved.reference,)})
    gone = writer.write("target/t5", retract=(struck.reference,))
    receive_push(store, TABLET, texts(struck, moved, again, gone), now_ms=NOON_MS)

    plan = erase_records(store, ["patient/p1"], consent, draw_chance=chances)

    assert "target/t5" in plan.records
    assert "target/t6" not in plan.records
    assert NAME not in _bodies_of_open(store)
    assert store.views.state_of("target/t6").fields["label"].values[-1].value == "of the other"
    assert verify_log(store).findings == ()


def test_a_refused_text_takes_nothing_of_another_patient_along(
    store, writer, consent, chances, tmp_path
):
    """[ER1] The planted bug it has caught: the parent named in a text that lies aside counted
    for a record that stands under another one, and for what stands under a record of texts alone.
    """
    lie = forged(writer.write("case/c2", set={"patient": "patient/p1"}))
    receive_push(store, TABLET, [lie], now_ms=NOON_MS)
    other = Writer("tablet-b")
    below = other.write("target/t7", set={"case": "case/c9", "label": "of a case to come"})
    tablet_b = Device("tablet-b", "tablet-b", "bedside", None)
    receive_push(store, tablet_b, texts(below), now_ms=NOON_MS)
    claim = forged(other.write("case/c9", set={"patient": "patient/p1"}))
    receive_push(store, tablet_b, [claim], now_ms=NOON_MS)

    plan = erase_records(store, ["patient/p1"], consent, draw_chance=chances)

    assert not {"case/c2", "target/t7"} & set(plan.records)
    assert "case/c9" in plan.records
    assert plan.doubtful == ("case/c2", "target/t7")
    assert store.views.state_of("case/c2").fields["indication"].values[-1].value == "second case"
    assert store.views.state_of("target/t7").fields["label"].values


def test_a_case_of_which_two_people_say_different_patients_stays_and_is_named(
    store, writer, consent, chances
):
    """[ER1] The planted bug it has caught: it fell out of the erasure without a word."""
    other = Writer("tablet-b").write("case/c1", set={"patient": "patient/p2"})
    tablet_b = Device("tablet-b", "tablet-b", "bedside", None)
    receive_push(store, tablet_b, texts(other), now_ms=NOON_MS)

    plan = plan_erasure(store, ["patient/p1"])

    assert "case/c1" not in plan.records
    assert plan.doubtful == ("case/c1",)
    assert plan_erasure(store, ["case/c2"]).doubtful == ()
    assert plan_erasure(store, ["patient/p1", "case/c1"]).doubtful == ()


def test_records_of_the_unit_and_unknown_ones_are_refused(store, writer, people):
    """[ER2]"""
    with pytest.raises(NotAllowedError, match="belongs to the unit itself"):
        plan_erasure(store, [people[0]])
    with pytest.raises(NotAllowedError, match="is not held here"):
        plan_erasure(store, ["patient/nobody"])


def test_what_is_in_a_patient_stays_unless_there_is_a_reason(store, writer, consent, chances):
    """[ER2] [HAZ-30] The planted bug it has caught: only records that are named were looked at."""
    coil = writer.write("coil_placed/k1", set={"case": "case/c1", "slot": 1})
    receive_push(store, TABLET, texts(coil), now_ms=NOON_MS)
    assert plan_erasure(store, ["patient/p1"]).implants == ("coil_placed/k1",)

    with pytest.raises(NotAllowedError, match="a recall must find it"):
        erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    assert store.views.state_of("coil_placed/k1").fields

    also = msgspec.structs.replace(consent, also_implants="entered for nobody in a training")
    erase_records(store, ["patient/p1"], also, draw_chance=chances)
    assert not store.views.state_of("coil_placed/k1").fields
    with store.transaction():
        (erasure,) = store.views.of_kind("erasure")
    assert "entered for nobody" in erasure.fields["because"].values[-1].value


def test_what_comes_later_of_an_erased_record_is_kept_without_its_body(
    store, writer, consent, chances, tmp_path
):
    """[ER3] The planted bug it has caught: a text that was set aside was kept whole."""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    later = writer.write("patient/p1", "booking", set={"given_name": f"{NAME}-again"})
    aside = writer.write("case/c1", set={"indication": f"{NAME}-aside"})
    receive_push(store, TABLET, texts(later), now_ms=NOON_MS)
    answer = receive_push(store, TABLET, [forged(aside)], now_ms=NOON_MS)

    assert answer.tip.counter == aside.counter
    assert verify_log(store).findings == ()
    assert not store.views.state_of("patient/p1").fields
    assert NAME not in _bodies_of_open(store)
    store.close()
    assert _hits(tmp_path / "unit") == []


def test_an_entry_without_a_body_is_taken_in_where_its_record_was_erased_and_nowhere_else(
    store, writer, consent, chances
):
    """[ER3] A tablet that dropped the body sends what follows it to a unit that was put back."""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    of_erased = msgspec.structs.replace(writer.write("case/c1", set={"x": 1}), body_text=None)
    after = writer.write("case/c2", set={"indication": "goes on"})

    answer = receive_push(store, TABLET, [of_erased, after], now_ms=NOON_MS)

    assert answer.tip.counter == after.counter
    assert answer.quarantined == ()
    assert verify_log(store).findings == ()
    bare = msgspec.structs.replace(writer.write("case/c2", set={"x": 1}), body_text=None)
    with pytest.raises(UnreadablePushError, match="comes without its body"):
        receive_push(store, TABLET, [bare], now_ms=NOON_MS)


def test_the_same_entries_supplied_again_bring_nothing_back(
    store, writer, consent, chances, tmp_path
):
    """[ER3] [ER5] A tablet offers to a unit that was put back what it still has."""
    held = [
        (one.envelope_text, one.body_text)
        for one in store.operations.of_log("tablet-a", "ep01")
        if one.body_text is not None
    ]
    backup = tmp_path / "empty-backup"
    bare = open_unit_store(tmp_path / "bare", new_generation="generation-0")
    write_backup(bare, backup)
    bare.close()
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    store.close()

    restore_unit(
        backup,
        tmp_path / "unit",
        new_generation="generation-2",
        now_ms=NOON_MS,
        draw_chance=chances,
    )
    again = open_unit_store(tmp_path / "unit", new_generation="x")
    try:
        receive_push(again, TABLET, held, now_ms=NOON_MS)
        assert not again.views.state_of("patient/p1").fields
        assert again.views.state_of("patient/p2").fields
        assert NAME not in _bodies_of_open(again)
        assert verify_log(again).findings == ()
    finally:
        again.close()
    former = [name for name in _hits(tmp_path / "unit") if ".before-" not in name]
    assert former == []


def test_what_waits_for_a_gap_is_kept_without_its_body_and_let_in_so(
    store, writer, consent, chances, tmp_path
):
    """[ER3] Caught: it lay in clear among what waits, in the file and in each backup."""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    between = writer.write("patient/p2", "booking", set={"phone": "0555"})
    late = writer.write("patient/p1", "booking", set={"given_name": f"{NAME} late"})
    with store.transaction():
        store.keep_fact(PUT_BACK, str(NOON_MS))
    supplier = Device("tablet-b", "tablet-b", "bedside", None)

    receive_resupply(store, supplier, [], texts(late), now_ms=NOON_MS)
    with store.transaction():
        assert [body for _, body in store.waiting.texts()] == [""]
    receive_resupply(store, supplier, [], texts(between), now_ms=NOON_MS)

    assert store.waiting.gaps() == {}
    assert store.operations.tip_of("tablet-a", "ep01").counter == late.counter
    assert NAME not in _bodies_of_open(store)
    assert verify_log(store).findings == ()


def test_an_older_backup_that_is_put_back_is_erased_again(
    store, writer, consent, chances, tmp_path
):
    """[ER5] [PRIV-03] The planted bug it has caught: a restore that did not look at the list."""
    backup = tmp_path / "backup"
    write_backup(store, backup)
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    store.close()
    assert _hits(tmp_path / "unit") == []

    restore_unit(
        backup,
        tmp_path / "unit",
        new_generation="generation-2",
        now_ms=NOON_MS,
        draw_chance=chances,
    )

    again = open_unit_store(tmp_path / "unit", new_generation="x")
    try:
        assert not again.views.state_of("case/c1").fields
        assert not again.pictures.is_whole(DIGEST)
        assert verify_log(again).findings == ()
        with again.transaction():
            assert len(again.views.of_kind("erasure")) == 1
    finally:
        again.close()
    assert [name for name in _hits(tmp_path / "unit") if name == FILE_NAME] == []


def test_one_cut_off_before_the_log_was_written_is_found_and_done(
    store, writer, consent, chances, monkeypatch
):
    """[ER5] [ER6]"""

    class _CutOffError(Exception):
        pass

    def cut_off(*_):
        raise _CutOffError

    with monkeypatch.context() as patched:
        patched.setattr(type(store.erasures), "erase", cut_off)
        with pytest.raises(_CutOffError):
            erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    assert any("was not done" in one for one in verify_log(store).findings)

    with monkeypatch.context() as patched:
        patched.setattr(type(store.erasures), "squeeze_file", cut_off)
        with pytest.raises(_CutOffError):
            erase_again(store, draw_chance=chances)
    assert any("cut off before the file" in one for one in verify_log(store).findings)

    erase_again(store, draw_chance=chances)
    assert verify_log(store).findings == ()
    assert NAME not in _bodies_of_open(store)
    with store.transaction():
        assert len(store.views.of_kind("erasure")) == 1


@pytest.mark.parametrize("cut", ["erase", "squeeze_file"])
def test_one_cut_off_is_done_before_anything_is_served(
    store, writer, consent, chances, monkeypatch, cut
):
    """[ER5] The planted bug it has caught: a start that did not look at the list."""

    class _CutOffError(Exception):
        pass

    def cut_off(*_):
        raise _CutOffError

    with monkeypatch.context() as patched:
        patched.setattr(type(store.erasures), cut, cut_off)
        with pytest.raises(_CutOffError):
            erase_records(store, ["patient/p1"], consent, draw_chance=chances)

    assert _findings_when_serving(store, monkeypatch) == ()


def test_a_start_rewrites_no_file_in_which_nothing_is_left_to_erase(
    store, writer, consent, chances, monkeypatch
):
    """[ER5] Rewriting takes long, and a ward waits for the start."""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    rewritten = []
    monkeypatch.setattr(type(store.erasures), "squeeze_file", rewritten.append)

    assert _findings_when_serving(store, monkeypatch) == ()
    assert rewritten == []


def _findings_when_serving(store, monkeypatch):
    """Start to serve a store; return what a check of it says when the first could ask."""
    found = []

    class _AskedError(Exception):
        pass

    def look(served, *_, **__):
        found.append(verify_log(served).findings)
        raise _AskedError

    monkeypatch.setattr(serving, "create_app", look)
    listening = serving.Listening("127.0.0.1", 0)
    with pytest.raises(_AskedError), serving.open_socket(listening) as bound:
        serving.serve(
            store, store.folder, listening, bound, StandingEnvironment(), on_ready=lambda: None
        )
    return found[0]


def test_emptied_entries_without_a_decision_are_found(store, writer, consent, chances):
    """[ER6] The planted bug it has caught: a mark in the table was enough."""
    erase_records(store, ["case/c1"], consent, draw_chance=chances)
    with store.transaction():
        (erasure,) = {*store.erasures.listed().values()}
        store.erasures.erase(["patient/p2"], erasure)
        store.views.refresh(["patient/p2"])
    store.erasures.squeeze_file()

    found = verify_log(store).findings
    assert len(found) == 1
    assert found[0].startswith("patient/p2 is marked here as erased")


def test_a_decision_in_another_devices_name_counts_for_nothing(store, writer, consent, chances):
    """[ER4] [ER6]"""
    erase_records(store, ["case/c1"], consent, draw_chance=chances)
    (erasure,) = {*store.erasures.listed().values()}
    with store.transaction():
        forged_word = writer.write(erasure, "unit", set={"of": ["patient/p2"]})
        store.operations.append([forged_word], received_ms=NOON_MS)
        store.erasures.erase(["patient/p2"], erasure)
        store.views.refresh(["patient/p2", erasure])
    store.erasures.squeeze_file()

    assert any("patient/p2 is marked" in one for one in verify_log(store).findings)


def test_a_decision_that_came_by_a_file_is_found_and_done(store, writer, people, chances):
    """[ER6] A bundle that a person vouched for brings a decision, and nobody carried it out."""
    with store.transaction():
        write_as_server(
            store,
            "erasure/e1",
            {
                "of": ["patient/p1"],
                "because": "asked",
                "decided_by": people[0],
                "agreed_by": people[1],
                "at": "2026-03-01T10:00:00+00:00",
            },
            by=people[0],
            because="asked",
            chance=chances(),
        )
    assert any("erasure/e1 was decided" in one for one in verify_log(store).findings)

    erase_again(store, draw_chance=chances)

    assert verify_log(store).findings == ()
    assert [one.erasure for one in read_erasure_list(store.folder)] == ["erasure/e1"]


def test_records_that_come_later_under_an_erased_one_are_named(store, writer, consent, chances):
    """[ER6]"""
    erase_records(store, ["patient/p1"], consent, draw_chance=chances)
    late = writer.write("target/t9", set={"case": "case/c1", "label": "late"})
    receive_push(store, TABLET, texts(late), now_ms=NOON_MS)

    found = verify_log(store)
    assert found.under_erased == ("target/t9",)
    assert any("target/t9" in remark for remark in found.remarks)
    assert found.findings == ()


def test_any_records_may_go_and_the_rest_reads_as_before(store, chances, tmp_path):
    """[ER1] [MG1] Many records in one piece: the others keep their texts, byte for byte."""
    for name in ("Person One", "Person Two"):
        add_staff(store, name, "data-manager", chance=chances())
    with store.transaction():
        people = [state.record for state in store.views.of_kind("staff")]
    consent = Consent(because="asked", decided_by=people[0], agreed_by=people[1])
    writer, drawn = Writer("tablet-a"), random.Random(4)
    names = [f"target/t{number}" for number in range(90)]
    for start in range(0, 90, 30):
        batch = [
            writer.write(name, set={"label": f"{name} {drawn.random()}"})
            for name in names[start : start + 30]
        ]
        receive_push(store, TABLET, texts(*batch), now_ms=NOON_MS)
    before = {one.op_id: one for one in store.operations.of_log("tablet-a", "ep01")}
    gone = set(drawn.sample(names, 40))

    erase_records(store, sorted(gone), consent, draw_chance=chances)

    for one in store.operations.of_log("tablet-a", "ep01"):
        if one.record in gone:
            assert one.body_text is None
            assert one.commitment == before[one.op_id].commitment
        else:
            assert one == before[one.op_id]
            assert decode_body(one.body_text).set
    assert verify_log(store).findings == ()
