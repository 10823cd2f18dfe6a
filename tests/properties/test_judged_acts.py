"""Acts on visits by two devices: none that was legal on its screen is refused, others always.

Each device acts by `take_visit_act` on what it shows, and reads what the other wrote whenever it
likes, from the unit or from a file. The unit receives the logs in any order, cut anywhere.
"""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.visit_course import take_visit_act
from api.clinical_rules.visit_course_table import ACTS
from api.storage.unit_store import open_unit_store
from api.use_cases.judge_acts import tell_waiting
from api.use_cases.receive_push import receive_push
from api.use_cases.verify_log import verify_log
from sync.merge import merge_record, shown_value
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, texts
from tests.unit.api.twin_engine import packaged_rule_book
from tests.unit.api.visit_writer import CATALOGUE, VISIT, VisitWriter

BOOK = packaged_rule_book()
TODAY = "2026-05-18"
WINDOW = {"earliest_on": TODAY, "target_on": "2026-06-01", "latest_on": "2026-06-15"}
# Device, its role at the unit, the person and as whom he acts.
DEVICES = (
    ("tablet-a", "bedside", "staff/wren", "clinician"),
    ("desk-c", "booking", "staff/cass", "booking"),
)
ROLES = {"staff/wren": "endoscopist", "staff/cass": "booking"}
STEPS = st.lists(
    st.tuples(
        st.sampled_from(["act", "act", "act", "read", "read", "settle", "undo"]),
        st.integers(0, 1),
        st.integers(0, 11),
    ),
    min_size=6,
    max_size=30,
)
# What no act of the course records: device, what its writer sees, what he writes over it.
ILLEGAL = [
    (0, "ended", "booked"),
    (0, "attended", "cancelled"),
    (0, "booked", "planned"),
    (1, "attended", "booked"),
    (1, "ended", "to-book"),
    (1, "booked", "ended"),
    (1, "to-book", "ended"),
]
ARRIVAL = st.lists(st.tuples(st.integers(0, 1), st.integers(1, 4)), min_size=1, max_size=20)


def _facts(state):
    told = {name: shown_value(held) for name, held in state.fields.items()}
    booking = told.pop("booking", None) or {}
    known = {key: part for key, part in told.items() if part is not None}
    if "booking" in state.fields and known.get("status") == "booked":
        known["booked_on"] = booking.get("on", TODAY)
    return {"window": WINDOW, **known} if state.fields else {"status": "none", "window": WINDOW}


def _act(writer, role, person, place):
    """Do one of the acts that a screen offers: the first from a place on that the rules allow."""
    state = writer.screen()
    if "status" in state.conflicts:
        return
    names = list(ACTS)
    for name in names[place % len(names) :] + names[: place % len(names)]:
        asked = {
            **{"act": name, "role": role, "today_on": TODAY, "because": "x"},
            **{"day": TODAY, "place": "Elsewhere", "reason": "declined", "cancelled_by": "unit"},
            **{"owner_role": "booking", "act_on": add_days(TODAY, 3)},
        }
        try:
            taken = take_visit_act({"visit": _facts(state), "act": asked}, BOOK)
        except ClinicalRuleError:
            continue
        fields = dict(taken["set"])
        if name in ("book", "move"):
            fields["booking"] = {"session": "clinic_session/s", "on": TODAY, "time": "09:00"}
        if fields:
            writer.write(by=person, **fields)
            return


def _settle(writer, role, person, place):
    """Answer a conflict with one of what is shown; that a visit ended no desk chooses."""
    state = writer.screen()
    if not state.conflicts:
        return
    name = state.conflicts[place % len(state.conflicts)]
    values = [one.value for one in state.fields[name].values]
    chosen = values[place % len(values)]
    if (name, chosen, role) != ("status", "ended", "booking"):
        writer.write(by=person, **{name: chosen})


def _undo(writer, person, place):
    own = [one for one in writer.log if one.record == VISIT]
    if own:
        writer.write(by=person, retract=(own[-1 - place % len(own)].reference,))


def _play(steps):
    """Return the two devices after a history in which everything was legal on its screen."""
    writers = [VisitWriter(device) for device, _, _, _ in DEVICES]
    for what, at, more in [("act", 0, 0), ("read", 1, 3), *steps]:
        writer, other = writers[at], writers[1 - at]
        _, _, person, role = DEVICES[at]
        if what == "act":
            _act(writer, role, person, more)
        elif what == "read":
            # A part of what the other wrote, in its order: as a page or a file brings it.
            writer.read(*other.log[: 1 + len(other.log) * (more + 1) // 6])
        elif what == "settle":
            _settle(writer, role, person, more)
        else:
            _undo(writer, person, more)
    return writers


def _open(folder):
    store = open_unit_store(folder, new_generation="g-1")
    devices = {}
    with store.transaction():
        for name, role, _, _ in DEVICES:
            store.devices.keep(name, name, role, f"token of {name}", joined_ms=NOON_MS)
            devices[name] = store.devices.find(name)
        # Who the people are is known before anybody acts: whom nobody knows nobody refuses.
        story = Story(store, device="unit-office", now_ms=NOON_MS)
        for person, role in ROLES.items():
            story.write(person, name=person, role=role)
    return store, devices


def _deliver(store, devices, writers, arrival):
    """Push the logs in turns, the rest at the end; return what the answers set aside."""
    sent, aside = [0, 0], []
    for at, count in [*arrival, (0, 1_000), (1, 1_000)]:
        some = writers[at].log[sent[at] : sent[at] + count]
        sent[at] += len(some)
        if some:
            device = devices[writers[at].device]
            answer = receive_push(store, device, texts(*some), now_ms=NOON_MS)
            aside += [one.op_id for one in answer.quarantined]
    return aside


def _state(store):
    with store.transaction():
        return store.views.state_of(VISIT)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=STEPS, arrival=ARRIVAL)
def test_what_was_legal_on_its_screen_is_never_refused(steps, arrival):
    """[CV11] [CV14] And the unit shows what a merge of everything shows, whatever came first.

    Planted bugs that this caught: each act judged against what stands at the unit instead of
    what its writer saw, and acts that waited for ever, never judged again.
    """
    writers = _play(steps)
    everything = [one for writer in writers for one in writer.log if one.record == VISIT]
    with tempfile.TemporaryDirectory() as folder:
        store, devices = _open(Path(folder) / "unit")
        aside = _deliver(store, devices, writers, arrival)

        assert aside == []
        assert store.operations.quarantined() == []
        policies = CATALOGUE.policies_of("visit")
        assert _state(store) == merge_record(VISIT, everything, policies)
        assert verify_log(store).findings == ()
        store.close()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=STEPS, arrival=ARRIVAL, planted=st.sampled_from(ILLEGAL))
def test_what_no_act_records_is_always_refused(steps, arrival, planted):
    """[CV11] [CV14] [FU-03] One illegal act at the end of any history, whatever came first.

    Planted bugs that this caught: no judge at all, and whatever waited let in unseen.
    """
    at, before, after = planted
    writers = _play(steps)
    writer = writers[at]
    # A clinician makes the visit anew, beside all that stands: the plant is done on that.
    made = writers[0].write(by="staff/wren", over={}, status=before)
    writer.read(made)
    plant = writer.write(by=DEVICES[at][2], over={"status": (made.reference,)}, status=after)
    with tempfile.TemporaryDirectory() as folder:
        store, devices = _open(Path(folder) / "unit")
        aside = _deliver(store, devices, writers, arrival)

        assert aside in ([], [plant.op_id])
        (kept,) = store.operations.quarantined()
        assert kept.op_id == plant.op_id
        assert kept.sentence.startswith(f"{plant.op_id} was not taken in: ")
        assert kept.sentence != tell_waiting(plant.op_id)
        assert plant.reference not in _state(store).heads
        assert verify_log(store).findings == ()
        store.close()
