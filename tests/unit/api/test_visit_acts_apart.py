"""Two acts on one visit, done apart: a person settles them, none is taken for the other."""

import itertools

import pytest

from api.clinical_rules.visit_course import take_visit_act
from api.storage.unit_store import read_packaged_catalogue
from sync.clock import Stamp
from sync.merge import merge_record
from sync.operation import Body, make_operation
from tests.unit.api.twin_engine import packaged_rule_book

BOOK = packaged_rule_book()
POLICIES = read_packaged_catalogue().policies_of("visit")
TODAY = "2026-06-02"
RECORD = "visit/v"
WINDOW = {"earliest_on": "2026-05-20", "target_on": "2026-06-02", "latest_on": "2026-06-20"}
BASE = {
    "to-book": {"status": "to-book", "owner_role": "booking", "act_on": "2026-05-05"},
    "booked": {"status": "booked", "owner_role": "booking", "act_on": TODAY, "booked_on": TODAY},
    "no-show": {"status": "no-show", "owner_role": "booking", "act_on": "2026-06-05"},
    "attended": {"status": "attended", "owner_role": "clinician", "act_on": "2026-06-09"},
}
BY_DESK, BY_CLINICIAN = {"role": "booking"}, {"role": "clinician"}
# Acts as they are done on one day; those that a state does not allow are left out.
ACTS = [
    {"act": "came", **BY_DESK},
    {"act": "no-show", **BY_DESK},
    {"act": "cancel", **BY_DESK, "cancelled_by": "patient"},
    {"act": "move", **BY_DESK, "day": "2026-06-09"},
    {"act": "book", **BY_DESK, "day": "2026-06-09"},
    {"act": "ask-to-book", **BY_DESK},
    {"act": "escalate", **BY_DESK},
    {"act": "done-elsewhere", **BY_DESK, "day": "2026-06-01", "place": "Another unit"},
    {"act": "hand-over", **BY_CLINICIAN, "owner_role": "clinician", "act_on": "2026-06-12"},
    {"act": "end", **BY_CLINICIAN, "reason": "declined"},
    {"act": "reopen", **BY_CLINICIAN},
]


class Device:
    """Writes on the visit what an act records, over what it saw."""

    def __init__(self, name):
        self.name, self.log = name, []

    def write(self, fields, over):
        self.log.append(
            make_operation(
                device=self.name,
                epoch="ep01",
                counter=len(self.log) + 1,
                previous=self.log[-1].hash if self.log else "",
                stream="booking",
                record=RECORD,
                stamp=str(Stamp(1_780_000_000_000 + len(self.log), 0, self.name)),
                body=Body(
                    salt=f"{len(self.log):032x}",
                    by="staff/s",
                    tapped_by="staff/s",
                    catalogue=5,
                    set=fields,
                    over={name: refs for name, refs in over.items() if name in fields},
                ),
            )
        )
        return self.log[-1]


def _recorded(visit, act):
    """Return what an act records, the booking beside it as a desk writes it; None where refused."""
    state = visit["status"]
    if act["act"] not in _ALLOWED[state]:
        return None
    asked = {**act, "today_on": TODAY, "because": "x"}
    taken = take_visit_act({"visit": {**visit, "window": WINDOW}, "act": asked}, BOOK)
    if act["act"] not in ("book", "move"):
        return taken["set"]
    booking = {"session": "clinic_session/two", "on": act["day"], "time": "09:00"}
    return {**taken["set"], "booking": booking}


_TO_DO = {"came", "escalate", "done-elsewhere", "hand-over", "end"}
_ALLOWED = {
    "to-book": _TO_DO | {"book"},
    "booked": _TO_DO | {"move", "cancel", "no-show"},
    "no-show": _TO_DO | {"book", "ask-to-book"},
    "attended": {"hand-over", "end", "reopen"},
}


def _done_apart(visit, one, other):
    base = Device("base")
    fields = {key: part for key, part in visit.items() if key != "booked_on"}
    if "booked_on" in visit:
        fields["booking"] = {"session": "clinic_session/one", "on": TODAY, "time": "09:00"}
    first = base.write(fields, {})
    over = dict.fromkeys(fields, (first.reference,))
    writings = [Device("desk").write(one, over), Device("tablet").write(other, over)]
    return merge_record(RECORD, [first, *writings], POLICIES)


# Both say that it took place, and the one place that was told stands.
AT_ONE = {"came", "done-elsewhere"}
PAIRS = [
    pytest.param(state, one, other, id=f"{state}: {one['act']} beside {other['act']}")
    for state, visit in BASE.items()
    for one, other in itertools.combinations(ACTS, 2)
    if _recorded(visit, one) and _recorded(visit, other) and {one["act"], other["act"]} != AT_ONE
]


@pytest.mark.parametrize(("state", "one", "other"), PAIRS)
def test_no_act_done_apart_hides_another(state, one, other):
    """[CV10] [HAZ-43] [HAZ-45] Every pair of acts that a state allows, by two devices offline.

    Planted bugs that this caught, one at a time: a status of which the furthest is shown (a wrong
    "came" hid the miss), a move that leaves the status alone (a miss hid it), and an end that says
    nothing of the next day and its owner (it hid that a clinician was asked).
    """
    visit = BASE[state]

    merged = _done_apart(visit, _recorded(visit, one), _recorded(visit, other))

    assert merged.conflicts, {name: held.values for name, held in merged.fields.items()}


@pytest.mark.parametrize("act", ACTS, ids=[one["act"] for one in ACTS])
def test_the_same_act_done_apart_is_one(act):
    """[MG3] [HAZ-14] Two desks that say the same ask nobody."""
    for visit in BASE.values():
        done = _recorded(visit, act)
        if done:
            assert _done_apart(visit, done, done).conflicts == ()


def test_every_act_meets_another():
    """The pairs leave out no act but the one that makes a visit."""
    assert len(PAIRS) > 50
    assert {one["act"] for pair in PAIRS for one in pair.values[1:]} == {one["act"] for one in ACTS}
