"""The unit refuses an act on a visit that does not follow from what its writer saw (CV11-CV14)."""

import msgspec
import pytest

from api.record_catalogue.alarms import name_set_aside, seen_to_record
from api.storage.bundle import read_bundle, write_bundle
from api.storage.unit_store import open_unit_store
from api.use_cases.export_bundle import export_bundle
from api.use_cases.import_bundle import import_bundle
from api.use_cases.judge_acts import judge_acts
from api.use_cases.rebuild_views import rebuild_views
from api.use_cases.receive_resupply import PUT_BACK
from api.use_cases.verify_log import verify_log
from sync.merge import shown_value
from sync.reissue import reissue_branch
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, carried_head, texts
from tests.unit.api.visit_writer import VISIT, VisitWriter

CLINICIAN, CLERK, ASSISTANT, NOBODY = "staff/wren", "staff/cass", "staff/juno", "staff/unnamed"


class Clinic:
    """A unit, a bedside tablet and a booking desk; wren treats, juno assists, cass books."""

    def __init__(self, unit):
        self.unit = unit
        self.headers = {"tablet-a": unit.join("tablet-a"), "tablet-b": unit.join("tablet-b")}
        self.headers["desk-c"] = unit.join("desk-c", "booking")
        self.tablet, self.other = VisitWriter("tablet-a"), VisitWriter("tablet-b")
        self.desk = VisitWriter("desk-c")
        self.sent = {}
        # No tablet writes who the people are.
        self.staff = Story(unit.store, device="unit-office", now_ms=NOON_MS)
        with unit.store.transaction():
            for person, role in (
                (CLINICIAN, "endoscopist"),
                (CLERK, "booking"),
                (ASSISTANT, "assistant"),
            ):
                self.staff.write(person, name=person, role=role)

    def push(self, writer):
        """Send what a device has not sent, and return what the answer says was set aside."""
        before = self.sent.get(writer, 0)
        self.sent[writer] = len(writer.log)
        return self.push_again(writer, *writer.log[before:]) if writer.log[before:] else []

    def push_again(self, writer, *operations):
        answer = self.unit.push(self.headers[writer.device], writer.device, texts(*operations))
        assert answer.status_code == 200, answer.text
        assert answer.json()["tip"]["counter"] == len(writer.log)
        return answer.json()["quarantined"]

    def plan(self, **fields):
        """Let the clinician plan the visit, and both devices see it."""
        made = self.tablet.write(status="planned", owner_role="booking", **fields)
        assert self.push(self.tablet) == []
        self.desk.read(made)
        self.other.read(made)
        return made

    def act(self, writer, by, **fields):
        """Let somebody act, and return the sentence where the unit does not take it in."""
        operation = writer.write(by=by, **fields)
        aside = self.push(writer)
        assert [one["op_id"] for one in aside] in ([], [operation.op_id])
        return aside[0]["sentence"] if aside else ""

    def shown(self, record=VISIT):
        with self.unit.store.transaction():
            return self.unit.store.views.state_of(record)

    def status(self):
        return shown_value(self.shown().fields.get("status"))

    def alarms(self, device="tablet-a"):
        told = self.unit.client.get("/api/decisions", headers=self.headers[device])
        return told.json()["alarms"]

    def read_by(self, device, after=0):
        page = self.unit.pull(self.headers[device], "booking", after=after).json()
        return [envelope.split('"')[3] for _, envelope, _ in page["operations"]], page["next"]

    def is_whole(self):
        assert verify_log(self.unit.store).findings == ()
        before = self.shown()
        rebuild_views(self.unit.store)
        assert self.shown() == before
        return True


@pytest.fixture
def clinic(unit):
    return Clinic(unit)


def _ended(clinic):
    clinic.plan()
    end = clinic.tablet.write(
        by=CLINICIAN, status="ended", ended_because="died", owner_role="clinician", act_on=None
    )
    assert clinic.push(clinic.tablet) == []
    clinic.desk.read(end)
    return end


def test_an_act_that_the_course_does_not_allow_is_set_aside_alone(clinic):
    """[CV14] [FU-03] [HAZ-43] [EX6] Kept, told, listed; in nobody's state.

    Planted bug that this caught: acts taken in without a judge.
    """
    _ended(clinic)
    opened = clinic.desk.write(by=CLERK, status="to-book", owner_role="booking")
    after = clinic.desk.write("patient/p-1", by=CLERK, family_name="Fennimore")

    (aside,) = clinic.push(clinic.desk)

    assert aside["op_id"] == opened.op_id
    assert aside["sentence"] == (
        f"{opened.op_id} was not taken in: a visit that is ended becomes to-book by a clinician's "
        "act alone. It is kept aside and counts for nothing; a clinician looks at the visit and "
        "acts anew where it was meant."
    )
    assert clinic.status() == "ended"
    for device in ("tablet-a", "desk-c"):
        (alarm,) = clinic.alarms(device)
        assert (alarm["kind"], alarm["record"], alarm["sentence"]) == (
            "set-aside",
            VISIT,
            aside["sentence"],
        )
    read, _ = clinic.read_by("tablet-b")
    assert after.op_id in read
    assert opened.op_id not in read
    assert clinic.is_whole()


def test_what_was_refused_is_told_again_and_kept_byte_for_byte(clinic):
    """[CV14] [EX6] The first answer may be lost; the texts are those that were written."""
    _ended(clinic)
    opened = clinic.desk.write(by=CLERK, status="to-book")

    first, again = clinic.push(clinic.desk), clinic.push_again(clinic.desk, opened)

    assert first == again != []
    (kept,) = clinic.unit.store.operations.quarantined()
    assert (kept.envelope, kept.body) == texts(opened)[0]


def test_a_clinician_acts_anew(clinic):
    """[CV14] Nothing of what was refused stands in the way; nor does an undo of it."""
    _ended(clinic)
    opened = clinic.desk.write(by=CLERK, status="to-book")
    assert clinic.push(clinic.desk) != []

    assert clinic.act(clinic.tablet, CLINICIAN, status="to-book", ended_because=None) == ""
    clinic.desk.write(by=CLERK, retract=(opened.reference,))
    assert clinic.push(clinic.desk) == []

    assert clinic.status() == "to-book"
    assert clinic.shown().conflicts == ()
    assert clinic.is_whole()


@pytest.mark.parametrize(
    ("device", "by", "is_taken"),
    [
        ("tablet", CLINICIAN, True),
        ("tablet", ASSISTANT, False),
        ("tablet", CLERK, False),
        ("tablet", NOBODY, True),
        ("desk", CLINICIAN, False),
        ("desk", CLERK, False),
        ("desk", NOBODY, False),
    ],
)
def test_who_ends_a_visit_is_a_clinician_on_a_device_that_holds_care(clinic, device, by, is_taken):
    """[CV12] [HAZ-45] Of whom no staff record is here, nobody loses an act for it (FG6 names it).

    Planted bugs that this caught: the device not asked, and an unknown person taken for a clerk.
    """
    clinic.plan()
    writer = getattr(clinic, device)

    why = clinic.act(writer, by, status="ended", ended_because="declined", owner_role="clinician")

    assert (why == "") == is_taken
    assert clinic.status() == ("ended" if is_taken else "planned")


@pytest.mark.parametrize(("day", "later"), [("2026-03-09", "2026-03-08"), (None, "2026-03-09")])
def test_the_day_of_death_comes_with_the_end_or_later_and_a_desk_reads_it(clinic, day, later):
    """[CV13] [HAZ-45] On the end itself, and alone while the visit stays ended.

    Planted bug that this caught: the day not judged, so that a clerk on a tablet could say it.
    """
    clinic.plan()
    end = {"status": "ended", "ended_because": "died", "owner_role": "clinician", "act_on": None}
    assert clinic.act(clinic.tablet, CLINICIAN, **end, ended_on=day) == ""
    assert shown_value(clinic.shown().fields["ended_on"]) == day

    clinic.other.read(clinic.tablet.log[-1])
    for by in (ASSISTANT, CLERK):
        why = clinic.act(clinic.other, by, ended_on=later)
        assert "on which day a visit ended is a clinician's to say" in why
    assert shown_value(clinic.shown().fields["ended_on"]) == day

    assert clinic.act(clinic.tablet, CLINICIAN, ended_on=later) == ""
    assert clinic.status() == "ended"
    assert shown_value(clinic.shown().fields["ended_on"]) == later
    told, _ = clinic.read_by("desk-c")
    assert clinic.tablet.log[-1].op_id in told
    assert clinic.is_whole()


def test_a_desks_device_writes_no_day_of_death(clinic):
    """[CV13] [HAZ-45] Whoever taps there: the table of access lets it read the field alone."""
    _ended(clinic)
    clinic.desk.write(by=CLINICIAN, ended_on="2026-03-09")

    assert [one["op_id"] for one in clinic.push(clinic.desk)] == [clinic.desk.log[-1].op_id]
    assert shown_value(clinic.shown().fields.get("ended_on")) is None


def test_a_role_that_changed_since_undoes_no_act(clinic):
    """[CV12] A tablet may come back to the network weeks after its clinician has left."""
    clinic.plan()
    with clinic.unit.store.transaction():
        clinic.staff.write(CLINICIAN, role="data-manager")

    assert clinic.act(clinic.other, CLINICIAN, status="ended", ended_because="died") == ""


def test_who_names_nothing_or_what_was_replaced_gets_round_nothing(clinic):
    """[CV11] Planted bug that this caught: any value that was ever there taken for the screen."""
    end = _ended(clinic)
    planned = clinic.tablet.log[-2].reference

    for over in (
        {},
        {"status": ()},
        {"status": (planned, end.reference)},
        {"status": (end.reference, planned)},
    ):
        clinic.desk.write(by=CLERK, over=over, status="booked")
        (aside,) = clinic.push(clinic.desk)
        assert (
            "by any act" in aside["sentence"] or "by a clinician's act alone" in aside["sentence"]
        )
    assert clinic.status() == "ended"


def test_naming_what_was_replaced_long_ago_waits_for_an_undo_that_never_comes(clinic):
    """[CV11] [CV14] Only an undo could have put both on one screen: until it comes, it counts not.

    Planted bug that this caught: only what the others name themselves taken for replaced.
    """
    clinic.plan()
    booked = clinic.desk.write(by=CLERK, status="booked")
    assert clinic.push(clinic.desk) == []
    clinic.tablet.read(booked)
    end = clinic.tablet.write(by=CLINICIAN, status="ended", ended_because="died")
    assert clinic.push(clinic.tablet) == []

    both = {"status": (clinic.tablet.log[-2].reference, end.reference)}
    clinic.desk.write(by=CLERK, over=both, status="attended")

    assert clinic.push(clinic.desk) == []
    assert clinic.status() == "ended"
    assert [one["op_id"] for one in clinic.alarms()] == [clinic.desk.log[-1].op_id]


@pytest.mark.parametrize("undo_comes_first", [True, False])
def test_what_an_undo_brought_back_is_on_the_screen(clinic, undo_comes_first):
    """[CV11] [MG9] Planned stands again beside the booking once what lay between was undone.

    Planted bug that this caught: what was replaced once never on a screen again. Found by the
    random histories.
    """
    clinic.plan()
    asked = clinic.desk.write(by=CLERK, status="to-book")
    booked = clinic.desk.write(by=CLERK, status="booked")
    assert clinic.push(clinic.desk) == []
    undone = clinic.desk.write(by=CLERK, retract=(asked.reference,))
    clinic.other.read(asked, booked, undone)
    assert clinic.other.screen().conflicts == ("status",)
    if undo_comes_first:
        assert clinic.push(clinic.desk) == []

    assert clinic.act(clinic.other, ASSISTANT, status="planned") == ""
    clinic.push(clinic.desk)

    assert clinic.status() == "planned"
    assert clinic.alarms() == []


def test_what_is_built_on_a_refused_act_hides_nothing(clinic):
    """[CV14] Its writer saw the refused one: what follows from it meets what stands, in sight."""
    end = _ended(clinic)
    opened = clinic.desk.write(by=CLERK, status="to-book")
    clinic.desk.write(by=CLERK, status="booked")

    (aside,) = clinic.push(clinic.desk)

    assert aside["op_id"] == opened.op_id
    assert clinic.shown().conflicts == ("status",)
    # Beside what stands the refused one is no history at all.
    both = {"status": (opened.reference, end.reference)}
    clinic.desk.write(by=CLERK, over=both, status="attended")
    assert len(clinic.push(clinic.desk)) == 1


def test_one_batch_is_judged_like_many(clinic):
    """[CV11] Planted bug that this caught: a refused act of the same batch taken for history."""
    end = _ended(clinic)
    opened = clinic.desk.write(by=CLERK, status="to-book")
    both = {"status": (opened.reference, end.reference)}
    booked = clinic.desk.write(by=CLERK, over=both, status="booked")

    aside = clinic.push(clinic.desk)

    assert [one["op_id"] for one in aside] == [opened.op_id, booked.op_id]


def test_two_acts_done_apart_meet_as_before(clinic):
    """[CV10] [CV14] Each was legal on its screen: a person settles them, and that is legal too."""
    clinic.plan()
    booked = clinic.desk.write(by=CLERK, status="booked")
    ended = clinic.tablet.write(by=CLINICIAN, status="ended", ended_because="died")

    assert clinic.push(clinic.tablet) == clinic.push(clinic.desk) == []
    assert clinic.shown().conflicts == ("status",)
    clinic.tablet.read(booked)
    clinic.desk.read(ended)
    why = clinic.act(clinic.desk, CLERK, status="ended")
    assert "a visit that is booked or ended becomes ended by a clinician's act alone" in why
    assert clinic.act(clinic.tablet, CLINICIAN, status="ended") == ""
    assert clinic.status() == "ended"


def test_a_desk_takes_no_visit_from_a_clinician(clinic):
    """[CV3] [CV13]."""
    clinic.plan()
    asked = clinic.desk.write(by=CLERK, owner_role="clinician", act_on="2026-03-18")
    assert clinic.push(clinic.desk) == []
    clinic.tablet.read(asked)

    assert "takes none" in clinic.act(clinic.desk, CLERK, owner_role="booking")
    assert shown_value(clinic.shown().fields["owner_role"]) == "clinician"
    assert clinic.act(clinic.tablet, CLINICIAN, owner_role="booking") == ""


def test_undoing_is_legal_and_so_is_what_an_older_app_made(clinic):
    """[CV12] [CV14] Before the course was asked, whoever used the tablet made the visits."""
    made = clinic.tablet.write(by=ASSISTANT, catalogue=4, status="to-book", owner_role="booking")
    assert clinic.push(clinic.tablet) == []
    clinic.tablet.write("visit/v-2", by=ASSISTANT, status="to-book")
    assert len(clinic.push(clinic.tablet)) == 1
    clinic.desk.write(by=CLERK, retract=(made.reference,))
    assert clinic.push(clinic.desk) == []
    assert clinic.shown().is_entered_in_error


def test_what_the_unit_server_wrote_is_not_judged(clinic):
    """[CV14] Nor is an entry without its text, or one that touches no field of the course."""
    store = clinic.unit.store
    server, desk = VisitWriter("unit-server"), VisitWriter("desk-c", epoch="ep09")
    with store.transaction():
        assert judge_acts(store, [server.write(by="unit-server", status="ended")]) == {}
        assert judge_acts(store, [desk.write(by=CLERK, label="Phone call")]) == {}
        ended = desk.write(by=CLERK, status="ended")
        assert judge_acts(store, [msgspec.structs.replace(ended, body_text=None)]) == {}
        assert set(judge_acts(store, [ended])) == {ended.reference}


def test_what_was_done_on_an_entry_that_is_not_here_waits_for_it(clinic):
    """[CV14] [EX11] Then it is taken in, and read also by whom had read past its place.

    Planted bugs that this caught: taken in under its old receipt number, so that no device read
    it; and told to its device as refused.
    """
    made = clinic.plan()
    booked = clinic.desk.write(by=CLERK, status="booked")
    clinic.other.read(booked)
    came = clinic.other.write(by=ASSISTANT, status="attended")
    after = clinic.other.write("patient/p-1", by=ASSISTANT, family_name="Fennimore")

    assert clinic.push(clinic.other) == []
    assert clinic.push_again(clinic.other, came) == []
    (alarm,) = clinic.alarms()
    assert "waits" not in alarm["sentence"]
    assert "has not arrived here" in alarm["sentence"]
    assert clinic.status() == "planned"
    read, cursor = clinic.read_by("tablet-a")
    assert came.op_id not in read
    assert after.op_id in read
    assert clinic.is_whole()

    assert clinic.push(clinic.desk) == []

    assert clinic.status() == "attended"
    assert clinic.shown().conflicts == ()
    assert clinic.alarms() == []
    read, _ = clinic.read_by("tablet-a", cursor)
    assert read == [booked.op_id, came.op_id]
    assert clinic.is_whole()
    assert made.reference not in clinic.shown().waiting


def test_what_waited_and_does_not_follow_is_refused_then(clinic):
    """[CV14] Planted bug that this caught: whatever waited taken in without a second look."""
    clinic.plan()
    end = clinic.tablet.write(by=CLINICIAN, status="ended", ended_because="died")
    clinic.desk.read(end)
    clinic.desk.write(by=CLERK, status="booked")
    assert clinic.push(clinic.desk) == []

    assert clinic.push(clinic.tablet) == []

    assert clinic.status() == "ended"
    (alarm,) = clinic.alarms()
    assert "was not taken in: a visit that is ended" in alarm["sentence"]
    assert clinic.is_whole()


def test_who_has_seen_that_an_act_waits_has_not_seen_that_it_was_refused(clinic):
    """[CF5] [CV14] Planted bug that this caught: one name for both, so the refusal told nobody."""
    clinic.plan()
    end = clinic.tablet.write(by=CLINICIAN, status="ended", ended_because="died")
    clinic.desk.read(end)
    clinic.desk.write(by=CLERK, status="booked")
    assert clinic.push(clinic.desk) == []
    (waiting,) = clinic.alarms()
    clinic.other.write(
        seen_to_record([waiting["name"]]),
        by=CLINICIAN,
        about=[waiting["name"]],
        verdict="seen-to",
        because="Asked the desk",
    )
    assert clinic.push(clinic.other) == []
    assert clinic.alarms() == []

    assert clinic.push(clinic.tablet) == []

    (alarm,) = clinic.alarms()
    assert "was not taken in" in alarm["sentence"]
    (texts_aside,) = clinic.unit.store.held_back.of_id(alarm["op_id"])
    assert alarm["name"] == name_set_aside(texts_aside.envelope, texts_aside.body)


def test_what_no_act_records_whatever_was_there_does_not_wait(clinic):
    """[CV14] A desk that ends a visit over an entry that nobody has seen."""
    clinic.plan()
    made_up = {"status": (f"tablet-x.ep01.7#{'0' * 16}",)}

    clinic.desk.write(by=CLERK, over=made_up, status="ended")
    (aside,) = clinic.push(clinic.desk)

    assert "becomes ended by a clinician's act alone" in aside["sentence"]


def test_what_nobody_can_read_any_more_costs_nobody_an_act(clinic):
    """[CV14] Its place is taken by another entry: it never comes, and nothing is replaced by it."""
    made = clinic.plan()
    gone = {"status": (f"{made.op_id}#{'0' * 16}",)}

    clinic.desk.write(by=CLERK, over=gone, status="booked")

    assert clinic.push(clinic.desk) == []
    assert clinic.shown().conflicts == ("status",)


def test_a_re_issue_is_known_by_both_of_its_names(clinic):
    """[CV11] [EX9] [MG10] What was done on the first holds also where only its re-issue came."""
    clinic.plan()
    copied = VisitWriter("tablet-b", epoch="ep02")
    copied.read(*clinic.other.held.values())
    booked = copied.write(by=ASSISTANT, status="booked")
    clinic.desk.read(booked)
    again = reissue_branch([booked], epoch="ep03")
    answer = clinic.unit.push(clinic.headers["tablet-b"], "tablet-b", texts(*again))
    assert answer.json()["quarantined"] == []

    assert clinic.act(clinic.desk, CLERK, status="no-show") == ""
    assert clinic.status() == "no-show"


def test_a_bundle_brings_the_same_to_another_unit(clinic, tmp_path):
    """[CV14] [BU3] In whatever order its logs lie: what is refused here is refused there."""
    _ended(clinic)
    clinic.desk.write(by=CLERK, status="to-book")
    assert len(clinic.push(clinic.desk)) == 1
    path = tmp_path / "file"
    export_bundle(clinic.unit.store, path, now_ms=NOON_MS)
    bundle = read_bundle(path)
    # Logs the other way round: each act before what it was done on.
    logs = {}
    for envelope, body in bundle.operations:
        logs.setdefault(envelope.split(".")[0], []).append((envelope, body))
    turned = tuple(pair for log in reversed(logs.values()) for pair in log)
    for operations in (bundle.operations, turned):
        other = open_unit_store(tmp_path / f"unit-{operations is turned}", new_generation="g-2")
        write_bundle(tmp_path / "copy", type(bundle)(bundle.manifest, operations, ()))
        imported = import_bundle(other, read_bundle(tmp_path / "copy"), now_ms=NOON_MS)
        with other.transaction():
            state = other.views.state_of(VISIT)
        assert shown_value(state.fields["status"]) == "ended"
        assert len(imported.set_aside) == 1
        assert verify_log(other).findings == ()
        other.close()
        (tmp_path / "copy").unlink()


def test_what_others_supply_after_a_restore_is_judged_the_same(clinic):
    """[CV14] [EX10] [EX11] Acts that come before their history are in the state at the end."""
    with clinic.unit.store.transaction():
        clinic.unit.store.keep_fact(PUT_BACK, "1")
    made = clinic.other.write(by=CLINICIAN, status="planned", owner_role="booking")
    clinic.desk.read(made)
    booked = clinic.desk.write(by=CLERK, status="booked")
    assert clinic.push(clinic.desk) == []

    answer = clinic.unit.client.post(
        "/api/exchange/resupply",
        json={"device": "tablet-a", "operations": texts(made), "heads": [carried_head(made)]},
        headers=clinic.headers["tablet-a"],
    )

    assert answer.status_code == 200, answer.text
    assert answer.json()["quarantined"] == []
    assert clinic.status() == "booked"
    assert booked.op_id in clinic.read_by("tablet-a")[0]
    assert clinic.is_whole()
