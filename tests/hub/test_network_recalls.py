"""A recall of the hub: found in full at each unit, answered by counts, and no name on the way."""

import csv
import io
import random
import re

import pytest

from api.use_cases.answer_recalls import answer_notice, list_notices_here
from api.use_cases.count_recalled import NO_DEVICE, count_devices, count_for
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.find_lots import read_search
from api.use_cases.list_network_recalls import list_network_recalls, write_answers_csv
from api.use_cases.network_recalls import add_network_recall, withdraw_network_recall
from api.use_cases.people import add_person
from api.use_cases.recalls import list_touched, withdraw_recall
from api.use_cases.take_in_recalls import name_own_notice
from api.use_cases.verify_log import verify_log
from sync.operation import decode_body
from tests.hub.recalled_network import LOTS, open_unit, treat_patients
from tests.hub.standing_network import StandingHub

ON = "2026-09-21"
DAY_MS = 86_400_000


class Network:
    """A hub, two units that published, and a person at each."""

    def __init__(self, folder, patients=25):
        chance = random.Random(46)
        self.hub = StandingHub(folder / "hub")
        self.manager = self.person_at_hub("Ida Norrwood")
        self.units = [open_unit(folder, name) for name in ("tarn", "fen")]
        for unit in self.units:
            treat_patients(unit, chance, patients)
            unit.server.join(self.hub)
            unit.exchange(self.hub)
        self.staff = [unit.person("Juno Marrowby", "endoscopist") for unit in self.units]

    def person_at_hub(self, name):
        chance = self.hub.chance()
        return add_person(self.hub.store, name, "data-manager", by="", chance=chance)

    def recall(self, *, lots=LOTS[:1], to=(), **more):
        return add_network_recall(
            self.hub.store,
            {"lots": list(lots), **more},
            item="coil",
            reason="Coil may break at the joint",
            issued_on="2026-09-20",
            to=to,
            by=self.manager,
            chance=self.hub.chance(),
        )

    def carry(self):
        for unit in self.units:
            unit.exchange(self.hub)

    def look(self, place):
        unit = self.units[place]
        return list_notices_here(
            unit.server.store, on=ON, by=self.staff[place], draw_chance=unit.server.chance
        )

    def answer(self, place, notice, act="acknowledge", seen=""):
        unit = self.units[place]
        return answer_notice(
            unit.server.store,
            notice,
            act,
            on=ON,
            by=self.staff[place],
            draw_chance=unit.server.chance,
            seen_before=seen,
        )

    def close_notice(self, place, notice):
        self.answer(place, notice)
        return self.answer(place, notice, "close")

    def notices(self, days=0):
        now_ms = self.hub.environment.now_ms() + days * DAY_MS
        return list_network_recalls(self.hub.store, now_ms=now_ms)

    def close(self):
        self.hub.close()
        for unit in self.units:
            unit.server.close()


@pytest.fixture
def network(tmp_path):
    made = Network(tmp_path)
    yield made
    made.close()


def test_every_scanned_implant_and_every_unknown_lot_is_found_at_both_units(network):
    """[HAZ-46] [NL6] All that was scanned or typed; all of unknown lot apart; by the hub too.

    Caught, planted: the sieve of the hub left out rows without a lot.
    """
    notice = network.recall()
    network.carry()

    (shown,) = network.notices()
    counts = {one.unit: (one.exact, one.near, one.unknown) for one in shown.units}
    for place, unit in enumerate(network.units):
        (here,) = network.look(place)
        assert here.notice == notice
        groups = {one.record: one.group for one in here.rows}
        touched = unit.records(LOTS[0], "scanned", "typed")
        assert touched
        assert {record for record in touched if groups.get(record) != "same"} == set()
        assert {record for record, group in groups.items() if group == "unknown"} == unit.unknown()
        assert all(one.name and one.number for one in here.rows)
        near = {record for record, group in groups.items() if group not in ("unknown", "same")}
        # The hub counts what the unit lists; a lot that may not leave as typed is unknown there.
        exact, close, unknown = counts[unit.server.device]
        assert len(unit.records(LOTS[0], "scanned")) <= exact <= len(touched)
        assert 0 < close <= len(near)
        counted = exact + close
        assert counted + unknown >= len(touched | near | unit.unknown())
        assert here.found.unknown_lots == len(unit.unknown())
        assert here.found.surely == len({record.split("/")[1].split("-")[0] for record in touched})
        assert here.found.cases == len(
            {record.split("/")[1].split("-")[0] for record in touched | near}
        )


def test_each_unit_acknowledges_by_counts_alone_and_the_hub_sees_who_waits(network):
    """[HAZ-46] [SEC-24] Caught, planted: an answer was signed with the name of who gave it."""
    notice = network.recall()
    network.carry()
    here = network.answer(0, notice)
    assert (here.answer, here.found.patients > 0) == ("searched", True)
    network.carry()

    by_unit = {one.unit: one for one in network.notices(days=9)[0].units}
    first, second = (by_unit[unit.server.device] for unit in network.units)
    assert (first.answer, first.waiting_days) == ("searched", 0)
    assert (first.found_cases, first.found_patients, first.unknown_lots, first.on_shelf) == (
        here.found.cases,
        here.found.patients,
        here.found.unknown_lots,
        0,
    )
    assert (first.exact_cases, first.near_cases) == (
        here.found.surely_cases,
        here.found.cases - here.found.surely_cases,
    )
    assert (second.answer, second.found_cases, second.waiting_days) == ("none", None, 9)

    network.answer(1, notice)
    network.answer(1, notice, "close")
    network.carry()
    assert [one.answer for one in network.notices()[0].units] in (
        ["searched", "closed"],
        ["closed", "searched"],
    )
    with network.hub.store.transaction():
        entries = network.hub.store.operations.of_stream("registry", after=0, limit=10_000)
    bodies = " ".join(entry.operation.body_text or "" for entry in entries)
    for word in ("Greyfen", "Marrowick", "Juno", "SN-5511", "tarn-0", *network.staff):
        assert word not in bodies
    # A moved day of treatment may well fall on a fourteenth of July; none falls before 2000.
    assert re.search(r"19\d\d-07-14", bodies) is None
    for one in (network.hub, *(unit.server for unit in network.units)):
        assert verify_log(one.store).findings == ()


def test_a_search_is_kept_once_a_day_for_each_person(network):
    """[HAZ-46] Whoever opens the list again leaves one entry and not a hundred."""
    network.recall()
    network.carry()
    for _ in range(3):
        network.look(0)

    store = network.units[0].server.store
    with store.transaction():
        entries = store.views.of_kind("lot_search")
    assert len(entries) == 1
    assert entries[0].fields["because"].values[0].value.startswith("recall of the network")


def test_a_notice_of_the_network_is_one_of_the_unit_and_of_every_tablet(network):
    """[HAZ-46] [NL7] Tablets read nothing of the network and heed it all the same.

    Caught, planted: a notice was written anew with each exchange.
    """
    notice = network.recall()
    for _ in range(3):
        network.carry()
    unit = network.units[0].server

    found = list_touched(unit.store, on=ON, by=network.staff[0], draw_chance=unit.chance)

    own = name_own_notice(notice)
    assert [(one.notice, one.reason) for one in found] == [(own, "Coil may break at the joint")]
    assert found[0].found.found > 0
    with unit.store.transaction():
        assert len(unit.store.operations.of_record(own)) == 1
    withdraw_network_recall(
        network.hub.store,
        notice,
        by=network.manager,
        because="",
        chance=network.hub.chance(),
    )
    network.carry()
    assert list_touched(unit.store, on=ON, by=network.staff[0], draw_chance=unit.chance) == []


def _withdraw_here(network, notice):
    unit = network.units[0].server
    withdraw_recall(
        unit.store,
        name_own_notice(notice),
        by=network.staff[0],
        because="not ours",
        chance=unit.chance(),
    )


def test_what_the_unit_withdrew_for_itself_stays_withdrawn(network):
    """[NL7]"""
    notice = network.recall()
    network.carry()
    unit = network.units[0].server
    _withdraw_here(network, notice)

    network.carry()

    assert list_touched(unit.store, on=ON, by=network.staff[0], draw_chance=unit.chance) == []
    assert network.look(0)[0].state == "in-force"


@pytest.mark.parametrize("before", ["", "acknowledge", "close"])
def test_the_hub_is_told_where_a_unit_withdrew_its_notice_for_itself(network, before):
    """[HAZ-46] [NL7] No tablet there heeds it: the answer of before would say the opposite.

    It was red before. Planted and caught, each: only a notice that had been answered was told; it
    stayed so after it was heeded again; to close it was let through.
    """
    notice = network.recall()
    network.carry()
    if before:
        network.answer(0, notice)
    if before == "close":
        network.answer(0, notice, before)
    network.carry()
    _withdraw_here(network, notice)
    assert network.look(0)[0].is_withdrawn_here

    network.carry()

    found = network.look(0)[0].found.cases
    assert _stands(network) == ("not-heeded", found, False)
    log = network.units[0].server.store
    with log.transaction():
        length = len(log.operations.of_stream("registry", after=0, limit=10_000))
    network.carry()
    with log.transaction():
        assert len(log.operations.of_stream("registry", after=0, limit=10_000)) == length
    with pytest.raises(NotAllowedError, match="no tablet heeds it"):
        network.answer(0, notice, "close")
    assert network.answer(0, notice).answer == "not-heeded"

    here = network.answer(0, notice, "heed")

    assert (here.answer, here.is_withdrawn_here) == ("searched", False)
    with pytest.raises(NotAllowedError, match="already"):
        network.answer(0, notice, "heed")
    unit = network.units[0].server
    touched = list_touched(unit.store, on=ON, by=network.staff[0], draw_chance=unit.chance)
    assert [one.notice for one in touched] == [name_own_notice(notice)]
    network.close_notice(0, notice)
    network.carry()
    assert _stands(network)[0] == "closed"


def test_a_notice_that_was_put_in_force_elsewhere_is_told_as_heeded(network):
    """[NL7] Whoever puts the unit's own copy in force again, the hub hears it."""
    notice = network.recall()
    network.carry()
    _withdraw_here(network, notice)
    network.carry()
    network.units[0].care.write(name_own_notice(notice), state="in-force")

    network.carry()

    assert _stands(network)[0] == "searched"


@pytest.mark.parametrize("number", [199, 200, 201])
def test_a_notice_of_more_lots_than_are_searched_by_is_shown_and_searched_by_nobody(
    network, number
):
    """[NL9] Not written at the hub; what comes all the same keeps nobody waiting.

    It was red before: any number was searched by, at each look at the list. Planted and caught,
    each: the notice became one of the unit; it was answered as searched.
    """
    lots = [f"L-{one:05}" for one in range(number)]
    hub = network.hub
    fields = {"item": "coil", "criteria": {"lots": lots}, "reason": "r", "state": "in-force"}
    hub.write({f"network_recall/{9:032x}": {**fields, "issued_on": "2026-09-20", "to": []}})
    if number <= 200:
        network.recall(lots=lots)
    else:
        with pytest.raises(CalculationError, match="more than the 200"):
            network.recall(lots=lots)
    network.carry()

    (seen,) = [one for one in network.look(0) if one.notice.endswith(f"{9:032x}")]

    is_searched = number <= 200
    assert (seen.found is not None, "in parts" in seen.sentence) == (is_searched, not is_searched)
    answered = network.answer(0, seen.notice)
    assert answered.answer == ("searched" if is_searched else "acknowledged")
    with network.units[0].server.store.transaction():
        own = network.units[0].server.store.views.state_of(name_own_notice(seen.notice))
    assert (own is not None) == is_searched


def test_a_flood_of_notices_comes_in_part_by_part(network, monkeypatch):
    """[NL9] Planted and caught: what was left over was not looked at again."""
    monkeypatch.setattr("api.use_cases.take_in_recalls.MOST_A_ROUND", 2)
    for number in range(5):
        network.recall(lots=[f"L-{number:05}"])
    seen = []
    for _ in range(4):
        network.carry()
        with network.units[0].server.store.transaction():
            seen.append(len(network.units[0].server.store.views.of_kind("recall_notice")))

    assert seen == [2, 4, 5, 5]


def test_a_notice_for_one_unit_is_no_business_of_another(network):
    """[SEC-24]"""
    notice = network.recall(to=(network.units[1].server.device,))
    network.carry()

    assert network.look(0) == []
    assert [one.notice for one in network.look(1)] == [notice]
    with pytest.raises(NotAllowedError, match="no notice in force here"):
        network.answer(0, notice)
    assert [one.unit for one in network.notices()[0].units] == [network.units[1].server.device]


def test_a_notice_that_was_withdrawn_is_searched_by_nobody(network):
    notice = network.recall()
    network.carry()
    withdraw_network_recall(
        network.hub.store,
        notice,
        by=network.manager,
        because="maker took it back",
        chance=network.hub.chance(),
    )
    network.carry()

    (shown,) = network.notices()
    assert (shown.state, shown.because) == ("withdrawn", "maker took it back")
    (here,) = network.look(0)
    assert (here.state, here.found, here.rows) == ("withdrawn", None, [])
    with pytest.raises(NotAllowedError, match="no notice in force"):
        network.answer(0, notice)
    with pytest.raises(NotAllowedError, match="withdrawn already"):
        withdraw_network_recall(
            network.hub.store,
            notice,
            by=network.manager,
            because="",
            chance=network.hub.chance(),
        )


def counted_at(network, unit, criteria):
    """Return the exact counts of one unit, as a notice tells them."""
    with network.hub.store.reading():
        found = count_devices(network.hub.store, [read_search(criteria)])
    return found.get(unit, NO_DEVICE)


def test_before_a_notice_stands_no_small_number_is_told_and_the_notice_tells_each(network):
    """[HAZ-49] [HAZ-46] [OC16]

    Caught: whoever counted first was told that a unit has one device of a lot, of any lot, and by
    two counts of one more month, in which month it expires.
    """
    unit = network.units[0]
    named = {"identifier": "04006381333931"}
    told = []
    for place in range(7):
        unit.care.act(
            f"coil_placed/few-{place}",
            "2026-03-10T11:00:00+00:00",
            "case/c-0",
            device={**named, "lot": "ZQ-1"},
            slot=20 + place,
        )
        network.carry()
        counts = count_for(network.hub.store, {**named, "lots": ["ZQ-1"]}, item="coil")
        told.append(next(one.exact for one in counts.units if one.unit == unit.server.device))
    assert told == [5, 5, 5, 5, 5, 10, 10]

    network.recall(lots=("ZQ-1",), **named)
    (shown,) = network.notices()
    assert next(one.exact for one in shown.units if one.unit == unit.server.device) == 7


def test_counted_before_it_is_written_and_handed_out_as_csv(network):
    counts = count_for(network.hub.store, {"lots": [LOTS[0]]}, item="coil")
    notice = network.recall()
    (shown,) = network.notices()

    assert shown.notice == notice
    assert {one.unit for one in counts.units} == {one.unit for one in shown.units}
    rows = list(csv.DictReader(io.StringIO(write_answers_csv(shown))))
    for name in ("exact", "near", "unknown"):
        assert [row[name] for row in rows] == [str(getattr(one, name)) for one in shown.units]
    assert {row["answer"] for row in rows} == {"none"}


def test_a_notice_that_names_nothing_or_no_unit_is_not_written(network):
    for more, words in (
        ({"lots": ()}, "names nothing to search by"),
        ({"serial": "SN-1"}, "never leave a unit"),
    ):
        with pytest.raises(CalculationError, match=words):
            network.recall(**more)
    with pytest.raises(NotAllowedError, match="no unit here"):
        network.recall(to=("unit-x",))
    network.manager = "staff/nobody"
    with pytest.raises(NotAllowedError, match="no active member"):
        network.recall()
    assert network.notices() == []


def test_a_range_that_ends_within_a_month_is_counted_by_whole_months(network):
    """[HAZ-46] [NL6] Units report the month of an expiry date alone: what may be named is counted.

    Caught, planted: the last month of the range was left out.
    """
    unit = network.units[0]
    case, label = "case/c-0", {"lot": "ZQ-1", "identifier": "04006381333931"}
    for place, day in enumerate(("2028-03-31", "2028-04-10", "2028-04-28", "2028-05-02")):
        unit.care.act(
            f"coil_placed/expiry-{place}",
            "2026-03-10T11:00:00+00:00",
            case,
            device={**label, "expires_on": day},
            slot=20 + place,
        )
    network.carry()
    device = unit.server.device

    def counted(**days):
        return counted_at(network, device, {"identifier": "04006381333931", **days}).exact

    assert counted(expires_from="2028-04-01", expires_to="2028-04-15") == 2
    assert counted(expires_from="2028-04-15", expires_to="2028-05-01") == 3
    assert counted(expires_from="2028-03-31", expires_to="2028-03-31") == 1
    assert counted(expires_to="2028-04-15") == 3
    assert counted(expires_from="2028-05-02") == 1


def test_what_is_of_another_kind_than_an_identifier_is_counted_nowhere(network):
    """[LT16] Caught: a recall by a coil's identifier counted every needle of unknown identifier."""
    unit, identifier = network.units[0], "04006381333931"
    at, case = "2026-03-10T11:00:00+00:00", "case/c-0"

    def unknown():
        network.carry()
        return counted_at(network, unit.server.device, {"identifier": identifier}).unknown

    before = unknown()
    needle = {"item": "needle", "device": {"lot": "ZQ-7"}, "fate": "used"}
    unit.care.act("package_opened/x-0", at, case, **needle)
    assert unknown() == before + 1
    named = {"lot": "ZQ-1", "identifier": identifier}
    unit.care.act("coil_placed/x-1", at, case, device=named, slot=20)
    assert unknown() < before + 1
    unit.care.act("coil_placed/x-2", at, case, device={"lot": "ZQ-8"}, slot=21)
    of_coils = unknown()
    unit.care.act("package_opened/x-3", at, case, **{**needle, "device": {"lot": "ZQ-9"}})
    assert unknown() == of_coils


def _stands(network):
    """Return how the first unit stands at the hub: answer, found cases, whether it is behind."""
    (notice,) = network.notices()
    device = network.units[0].server.device
    one = next(one for one in notice.units if one.unit == device)
    return one.answer, one.found_cases, one.is_behind


def test_a_case_that_comes_after_a_notice_was_closed_opens_it_again(network):
    """[HAZ-46] [NL8] A tablet that comes in late leaves no 'closed, nobody found' behind.

    Caught, planted: the counts were written anew and the notice stayed closed.
    """
    notice = network.recall(lots=("ZQ-0099",))
    network.carry()
    network.close_notice(0, notice)
    network.carry()
    assert _stands(network) == ("closed", 0, False)
    unit = network.units[0]
    log = unit.server.store.operations
    case = "case/c-0"
    device = {"lot": "ZQ-0099"}
    unit.care.act("coil_placed/late", "2026-03-10T11:00:00+00:00", case, device=device, slot=20)
    network.carry()

    assert _stands(network) == ("searched", 1, False)
    assert network.look(0)[0].answer == "searched"
    with unit.server.store.transaction():
        searches = unit.server.store.views.of_kind("lot_search")
        operations = log.of_stream("registry", after=0, limit=10_000)
    # Nobody read a name: the machine leaves no search of a person behind.
    assert len(searches) == 1
    network.carry()
    with unit.server.store.transaction():
        assert len(log.of_stream("registry", after=0, limit=10_000)) == len(operations)

    network.close_notice(0, notice)
    network.carry()
    assert _stands(network) == ("closed", 1, False)


def test_fewer_than_before_are_told_and_leave_a_notice_closed(network):
    """[NL8] What was booked off the shelf, or put right, asks nobody to look again."""
    notice = network.recall()
    network.carry()
    network.close_notice(0, notice)
    network.carry()
    _, before, _ = _stands(network)
    unit = network.units[0]
    (record, *_) = sorted(unit.records(LOTS[0], "scanned"))
    alone = record.split("/")[1].split("-")[0]
    for one, _lot, _how in unit.coils:
        if one.startswith(f"coil_placed/{alone}-"):
            unit.care.write(one, device={"lot": "0000-OTHER-1"})
    network.carry()

    assert _stands(network) == ("closed", before - 1, False)


def test_what_an_old_unit_leaves_as_it_was_stands_open_at_the_hub(network, monkeypatch):
    """[HAZ-46] [NL8] The hub counts more cases than were answered: it shows the notice open."""
    monkeypatch.setattr("api.use_cases.publish_to_hub.renew_answers", lambda *_, **__: 0)
    notice = network.recall(lots=("ZQ-0099",))
    network.carry()
    network.close_notice(0, notice)
    unit = network.units[0]
    device = {"lot": "ZQ-0099"}
    for place in range(2):
        at = f"2026-03-10T11:0{place}:00+00:00"
        unit.care.act(f"coil_placed/late-{place}", at, "case/c-0", device=device, slot=20 + place)
    network.carry()

    assert _stands(network) == ("closed", 0, True)
    network.close_notice(0, notice)
    network.carry()
    # Two devices of one case: what is compared is cases.
    assert _stands(network) == ("closed", 1, False)


@pytest.mark.parametrize("change", ["patient", "lots"])
def test_another_patient_in_the_place_of_one_who_was_called_opens_a_closed_notice(tmp_path, change):
    """[HAZ-46] [NL8] The counts stay as they were, and somebody else bears the device.

    It was red before: closed stayed closed, at the unit and at the hub. Planted and caught, each:
    digests without the patient; what was kept was written anew with every round.
    """
    network = Network(tmp_path, patients=0)
    unit = network.units[0]
    lots = ("L-0417-A", "QX99001")
    for place, lot in enumerate(lots):
        unit.care.treat(f"case/{place}", f"patient/{place}", "2026-03-02")
        at = "2026-03-02T10:10:00+00:00"
        unit.care.coil(f"coil_placed/{place}-1", at, case=f"case/{place}", lot=lot)
    notice = network.recall()
    network.carry()
    network.close_notice(0, notice)
    network.carry()
    assert _stands(network) == ("closed", 1, False)
    for place in (0, 1):
        if change == "patient":
            unit.care.write(f"case/{place}", patient=f"patient/{1 - place}")
        else:
            unit.care.write(f"coil_placed/{place}-1", device={"lot": lots[1 - place]})

    network.carry()

    assert _stands(network) == ("searched", 1, False)
    (here,) = network.look(0)
    assert (here.answer, here.found.patients) == ("searched", 1)
    network.close_notice(0, notice)
    network.carry()
    assert _stands(network) == ("closed", 1, False)
    with unit.server.store.transaction():
        entries = unit.server.store.operations.of_stream("registry", after=0, limit=10_000)
    answers = [one.operation for one in entries if one.operation.kind == "registry_recall_answer"]
    assert {*decode_body(answers[-2].body_text).set} == {
        *("unit", "notice", "state", "answered_at"),
        *("found_cases", "found_patients", "unknown_lots", "on_shelf"),
    }
    assert {*decode_body(answers[-1].body_text).set} == {
        *("notice", "exact_cases", "near_cases", "exact_patients", "near_patients"),
    }
    network.close()


def test_nobody_closes_a_notice_over_a_patient_whom_they_were_not_shown(network):
    """[HAZ-46] [NL8] A tablet came in between the list and the press of the button.

    Planted and caught: what had been shown was not compared.
    """
    notice = network.recall(lots=("ZQ-0099",))
    network.carry()
    shown = network.answer(0, notice)
    unit = network.units[0]
    device = {"lot": "ZQ-0099"}
    unit.care.act("coil_placed/l", "2026-03-10T11:00:00+00:00", "case/c-0", device=device, slot=20)

    with pytest.raises(NotAllowedError, match="has changed since it was shown"):
        network.answer(0, notice, "close", shown.seen)
    network.carry()
    assert _stands(network)[0] == "searched"
    (again,) = network.look(0)
    assert network.answer(0, notice, "close", again.seen).answer == "closed"


def test_a_notice_that_nobody_acknowledged_is_not_closed(network):
    """[HAZ-46] [NL8] Caught: whoever came first closed it, and nobody had searched by it."""
    notice = network.recall()
    network.carry()

    with pytest.raises(NotAllowedError, match="Acknowledge it, look at what it touches"):
        network.answer(0, notice, "close")

    network.carry()
    assert _stands(network)[0] == "none"
    assert network.close_notice(0, notice).answer == "closed"


def test_what_was_closed_by_a_release_that_kept_nothing_is_looked_at_once_more(network):
    """[NL8] Nobody knows on what it was closed; so it is with a unit that was put back."""
    notice = network.recall()
    network.carry()
    network.close_notice(0, notice)
    with network.units[0].server.store.transaction():
        network.units[0].server.store.keep_fact(f"recall answered on {notice}", "{}")

    network.carry()

    assert _stands(network)[0] == "searched"
