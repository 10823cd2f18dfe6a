"""A recall of the hub: found in full at each unit, answered by counts, and no name on the way."""

import csv
import io
import random
import re

import pytest

from api.use_cases.answer_recalls import answer_notice, list_notices_here
from api.use_cases.count_recalled import count_for
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.list_network_recalls import list_network_recalls, write_answers_csv
from api.use_cases.network_recalls import add_network_recall, withdraw_network_recall
from api.use_cases.people import add_person
from api.use_cases.recalls import list_touched, withdraw_recall
from api.use_cases.take_in_recalls import name_own_notice
from api.use_cases.verify_log import verify_log
from tests.hub.recalled_network import LOTS, open_unit, treat_patients
from tests.hub.standing_network import StandingHub

ON = "2026-09-21"
DAY_MS = 86_400_000


class Network:
    """A hub, two units that published, and a person at each."""

    def __init__(self, folder):
        chance = random.Random(46)
        self.hub = StandingHub(folder / "hub")
        self.manager = self.person_at_hub("Ida Norrwood")
        self.units = [open_unit(folder, name) for name in ("tarn", "fen")]
        for unit in self.units:
            treat_patients(unit, chance, 25)
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

    def answer(self, place, notice, act="acknowledge"):
        unit = self.units[place]
        return answer_notice(
            unit.server.store,
            notice,
            act,
            on=ON,
            by=self.staff[place],
            draw_chance=unit.server.chance,
        )

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
    counts = {one.unit: (one.counted, one.unknown) for one in shown.units}
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
        counted, unknown = counts[unit.server.device]
        assert len(unit.records(LOTS[0], "scanned")) <= counted <= len(touched | near)
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


def test_what_the_unit_withdrew_for_itself_stays_withdrawn(network):
    """[NL7]"""
    notice = network.recall()
    network.carry()
    unit = network.units[0].server
    withdraw_recall(
        unit.store,
        name_own_notice(notice),
        by=network.staff[0],
        because="not ours",
        chance=unit.chance(),
    )

    network.carry()

    assert list_touched(unit.store, on=ON, by=network.staff[0], draw_chance=unit.chance) == []
    assert network.look(0)[0].state == "in-force"


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


def test_counted_before_it_is_written_and_handed_out_as_csv(network):
    counts = count_for(network.hub.store, {"lots": [LOTS[0]]}, item="coil")
    notice = network.recall()
    (shown,) = network.notices()

    assert shown.notice == notice
    assert [(one.unit, one.counted, one.unknown) for one in counts.units] == [
        (one.unit, one.counted, one.unknown) for one in shown.units
    ]
    rows = list(csv.DictReader(io.StringIO(write_answers_csv(shown))))
    assert [row["counted"] for row in rows] == [str(one.counted) for one in shown.units]
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
