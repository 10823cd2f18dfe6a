"""Exact lots and near ones of a recall stay apart: as counted by the hub, and as units answer."""

import csv
import io

import pytest

from api.storage.packaged_access import read_packaged_access_table
from api.use_cases import publish_to_hub
from api.use_cases.list_network_recalls import write_answers_csv
from api.use_cases.name_answers import name_answer
from api.use_cases.server_log import write_as_server
from tests.hub.test_network_recalls import Network, counted_at

LOT, NEAR = "ZQ-0099", "ZQ-0O99"
ANSWER = "registry_recall_answer"


@pytest.fixture
def network(tmp_path):
    made = Network(tmp_path, patients=3)
    coils = (("case/c-0", LOT), ("case/c-0", NEAR), ("case/c-1", NEAR), ("case/c-2", "ZQ-0098"))
    for slot, (case, lot) in enumerate(coils):
        made.units[0].care.act(
            f"coil_placed/x-{slot}",
            "2026-03-10T11:00:00+00:00",
            case,
            device={"lot": lot},
            slot=20 + slot,
        )
    made.carry()
    yield made
    made.close()


def of_unit(network, place=0):
    (notice,) = network.notices()
    device = network.units[place].server.device
    return next(one for one in notice.units if one.unit == device)


def answer_as_before(network, notice, monkeypatch, **counts):
    """Answer as a unit of the release before did: one count, and what it does not know stays."""
    unit = network.units[0].server
    record = name_answer(ANSWER, unit.device, notice)
    fields = {"unit": unit.device, "notice": notice, "state": "searched", **counts}
    with unit.store.transaction():
        held = unit.store.views.state_of(record)
        shown = held.fields if held is not None else {}
        over = {name: shown[name].references for name in fields if name in shown}
        write_as_server(
            unit.store, record, fields, by=unit.device, because="", chance=unit.chance(), over=over
        )
    with monkeypatch.context() as older:
        older.setattr(publish_to_hub, "renew_answers", lambda *_, **__: 0)
        network.carry()


def cells(network, *names):
    (notice,) = network.notices()
    device = network.units[0].server.device
    rows = csv.DictReader(io.StringIO(write_answers_csv(notice)))
    return [row[name] for row in rows if row["unit"] == device for name in names]


def test_the_hub_counts_exact_near_and_unknown_lots_apart(network):
    """[HAZ-46] [NL6] A look-alike and one sign off are near, and no exact find.

    Caught: one count held exact lots and near ones, so that nobody saw at the hub whether a unit
    has the very lot.
    """
    one = counted_at(network, network.units[0].server.device, {"lots": [LOT], "item": "coil"})

    assert (one.exact, one.near) == (1, 3)
    # A lot that may not leave as it was typed is unknown at the hub.
    assert 0 < len(network.units[0].unknown()) <= one.unknown


def test_a_unit_tells_exact_finds_apart_from_near_ones(network):
    """[HAZ-46] [NL11] Who bears both is an exact find.

    Caught: a unit answered with one count for exact and near.
    """
    notice = network.recall(lots=(LOT,))
    network.carry()
    network.answer(0, notice)
    network.carry()

    one = of_unit(network)
    assert (one.found_cases, one.exact_cases, one.near_cases) == (3, 1, 2)
    assert (one.found_patients, one.exact_patients, one.near_patients) == (3, 1, 2)
    assert cells(network, "found_patients", "exact_patients", "near_patients") == ["3", "1", "2"]
    other = of_unit(network, 1)
    assert (other.found_patients, other.exact_patients, other.near_patients) == (None, None, None)


def test_one_count_of_an_older_release_is_told_as_not_told_apart(network, monkeypatch):
    """[HAZ-46] [NL11] Neither as exact nor as near, and the list says so.

    Caught, planted: 0 exact was shown where nobody had told them apart.
    """
    notice = network.recall(lots=(LOT,))
    network.carry()
    answer_as_before(network, notice, monkeypatch, found_cases=3, found_patients=3)

    one = of_unit(network)
    assert (one.found_patients, one.exact_patients, one.near_patients) == (3, None, None)
    assert cells(network, "found_cases", "exact_cases", "near_patients") == [
        *("3", "not told apart", "not told apart"),
    ]

    # Once it runs this release it tells them apart with its next exchange, unasked.
    network.carry()
    assert (of_unit(network).exact_patients, of_unit(network).near_patients) == (1, 2)


@pytest.mark.parametrize("patients", [3, 4])
def test_what_was_told_apart_before_a_unit_went_back_to_an_older_release_counts_no_longer(
    network, patients, monkeypatch
):
    """[NL11] An older release counts anew and leaves the parts standing, though they are stale.

    Caught, planted: the parts were believed where they added up to the newer total.
    """
    notice = network.recall(lots=(LOT,))
    network.carry()
    network.answer(0, notice)
    answer_as_before(network, notice, monkeypatch, found_cases=patients, found_patients=patients)

    one = of_unit(network)
    assert (one.found_patients, one.exact_patients, one.exact_cases) == (patients, None, None)


def test_a_hub_that_does_not_know_the_parts_has_the_totals_all_the_same(network, monkeypatch):
    """[NL11] A hub sets aside whole what bears a field that it does not know.

    Caught, planted: totals and parts in one entry; the older hub had no answer at all.
    """
    table = read_packaged_access_table()
    grant = table.grants["device:unit", "write", "registry"]
    known = [one for one in grant.kinds[ANSWER] if not one.startswith(("exact_", "near_"))]
    monkeypatch.setitem(grant.kinds, ANSWER, known)
    notice = network.recall(lots=(LOT,))
    network.carry()
    network.answer(0, notice)
    network.units[0].server.exchange(network.hub)

    one = of_unit(network)
    assert (one.answer, one.found_patients, one.exact_patients) == ("searched", 3, None)
