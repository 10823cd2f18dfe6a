"""What the bench of a recall holds its searches against, small, and that it can fail (HAZ-46).

`make bench` runs the same over 1,000,000 implants; here nothing is timed.
"""

import random
import re

import pytest

from api.clinical_rules.implant_search import make_search
from api.storage.implant_rows import ImplantRows
from api.storage.unit_store import open_unit_store
from api.storage.view_rows import indexed_look_alikes
from tests.bench.recall_rows import SEED, fill_with_implants, search_all, search_once

IMPLANTS = 4_000
PERIOD = {"from_on": "2019-01-01", "to_on": "2020-12-31"}


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A unit's views full of implants, who bears what, and the dice as they lie."""
    chance = random.Random(SEED)
    store = open_unit_store(tmp_path_factory.mktemp("unit"), new_generation="generation-1")
    population = fill_with_implants(store, IMPLANTS, chance)
    yield store, population, chance
    store.close()


def _asked(population):
    """Return a search of each sort, of a lot that many bear."""
    lot = max(population.lots, key=lambda one: len(population.by_lot.get(one.name, ())))
    dates = {"expires_from": f"{lot.expires_on[:4]}-01-01", "expires_to": lot.expires_on}
    return {
        "lot": {"lots": [lot.name], **PERIOD},
        "lots": {"lots": [lot.name, *(one.name for one in population.lots[:50])], **PERIOD},
        "identifier": {"identifier": lot.identifier, **PERIOD},
        "identifier and expiry": {"identifier": lot.identifier, **dates, **PERIOD},
        "expiry": {**dates, **PERIOD},
    }


def test_every_sort_of_search_finds_all_that_it_must(filled):
    """[HAZ-46] [LT1] [LT2] [LT3] [LT8] [LT10] Under noise of typing: scanned, typed and unknown."""
    store, population, chance = filled

    section = search_all(store, population, 1, chance)

    assert section.faults == []
    assert len(section.rows) == 5
    assert section.rows[0].what == "one lot"


def test_each_sort_has_somebody_to_find(filled):
    """A check of nobody would hold for ever."""
    _, population, _ = filled
    for what, asked in _asked(population).items():
        wanted = population.wanted_for(asked)
        assert len(wanted.same) >= 10, what
        assert len(wanted.unknown) >= 10, what
    assert all(population.wanted_for(one).near for one in list(_asked(population).values())[:2])


@pytest.mark.parametrize("what", ["lot", "lots", "identifier", "identifier and expiry", "expiry"])
def test_one_implant_that_is_hidden_fails_the_bench(filled, what):
    """[HAZ-46] One that was scanned, one of whom nobody knows, and one told as what it is not."""
    store, population, _ = filled
    asked = _asked(population)[what]
    groups, _ = search_once(store, asked)
    wanted = population.wanted_for(asked)
    assert population.check(asked, groups).faults == ()
    some = {"same": min(wanted.same), "unknown": min(wanted.unknown)}

    for group, record in some.items():
        others = {"same": "unknown", "unknown": "same"}
        without = {one: told for one, told in groups.items() if one != record}
        assert population.check(asked, without).faults
        assert population.check(asked, {**groups, record: others[group]}).faults
    near = next(iter(wanted.near), None)
    if near is not None:
        assert population.check(asked, {**groups, near: "unknown"}).faults


def test_what_is_hidden_in_the_index_fails_the_whole_bench(filled):
    """[HAZ-46] Caught: a bench that timed searches and looked at nothing that they found."""
    store, population, _ = filled
    connection = store._database.connection
    with store.transaction():
        kept = connection.execute("SELECT lot_form, record FROM implant").fetchall()
        connection.execute("UPDATE implant SET lot_form = 'X'")
    try:
        section = search_all(store, population, 1, random.Random(1))
    finally:
        with store.transaction():
            connection.executemany("UPDATE implant SET lot_form = ? WHERE record = ?", kept)

    assert any(one.startswith("one lot: ") for one in section.faults)
    assert any("unknown and not listed" in one for one in section.faults)


class _Told:
    """A connection that keeps what it was asked."""

    def __init__(self, connection):
        self._connection, self.asked = connection, []

    def execute(self, sql, values=()):
        self.asked.append((sql, values))
        return self._connection.execute(sql, values)


@pytest.mark.parametrize("what", ["lot", "serial", "identifier", "expiry"])
def test_of_whom_nobody_knows_is_found_by_the_day_and_no_other_is_read(filled, what):
    """[LT8] Caught: by identifier all of any day without one were read, 0.9 s of a million."""
    store, population, _ = filled
    searches = {**_asked(population), "serial": {"serial": "S0000001", **PERIOD}}
    told = _Told(store._database.connection)

    with store.transaction():
        ImplantRows(told).sift(make_search(searches[what]), indexed_look_alikes(), of_items=["a"])
        ((sql, values),) = told.asked
        plan = told.execute(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()

    steps = [row[3] for row in plan if re.search(r"\bimplant\b", row[3])]
    assert any("on_day>? AND on_day<?" in step for step in steps)
    assert [step for step in steps if step.startswith("SCAN")] == []
    # By a form alone those that bear it are found, and no row is read for that.
    by_form_alone = [step for step in steps if re.search(r"\((\w+_form|expires_on)=\?\)$", step)]
    assert [step for step in by_form_alone if "COVERING" not in step] == []
    assert len(by_form_alone) <= 1
