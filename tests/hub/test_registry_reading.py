"""[SEC-24] What a unit can get out of a hub by asking for it, in every way there is."""

import pytest

from api.storage.hub_requests import HubRequests
from api.use_cases.registry_log import registry_key
from tests.hub.standing_network import ADDRESS, Line, NetworkUnit, StandingHub


@pytest.fixture
def network(tmp_path):
    hub = StandingHub(tmp_path / "hub")
    units = [NetworkUnit(tmp_path / name, name) for name in ("tarn", "fen")]
    for unit in units:
        unit.join(hub)
        unit.tell(1, birth_year=1950)
        unit.exchange(hub)
    yield hub, *units
    for one in (hub, *units):
        one.close()


def asking(hub, unit):
    with unit.store.transaction():
        line, key = unit.store.hub_line.find(), registry_key(unit.store)
    return HubRequests(ADDRESS, line.device, key, token=line.token, transport=Line(hub))


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize("rows", [True, False])
@pytest.mark.parametrize("record", ["", "registry_patient/tarn1"])
@pytest.mark.parametrize("after", [0, 1])
def test_no_question_yields_an_entry_of_another_unit(network, own, rows, record, after):
    """Planted and caught: a pull of one record that went the way of a tablet's."""
    hub, tarn, fen = network
    hub.write({f"network_recall/{1:032x}": {"state": "in-force", "to": [tarn.device]}})
    with asking(hub, fen) as requests:
        answer = requests.get(
            "/api/exchange/pull",
            stream="registry",
            after=after,
            own=own,
            rows=rows,
            record=record,
        )

    assert answer.is_good
    text = str(answer.content)
    assert tarn.device not in text
    assert "tarn1" not in text
    assert "network_recall" not in text
    assert ("fen1" in text) == own


def test_a_handshake_tells_nothing_of_how_much_others_sent(network):
    hub, tarn, fen = network
    heads = []
    for _ in range(2):
        with asking(hub, fen) as requests:
            tip = {"epoch": "none", "counter": 0, "hash": ""}
            said = {"device": fen.device, "tip": tip, "cursors": {}, "catalogue": 8, "wall_ms": 1}
            heads.append(requests.post("/api/exchange/handshake", said).content["heads"])
        tarn.tell(2)
        tarn.exchange(hub)

    assert heads[0] == heads[1]


@pytest.mark.parametrize(
    ("path", "asked"),
    [
        ("/api/exchange/pull", {"stream": "care"}),
        ("/api/exchange/pull", {"stream": "unit"}),
        ("/api/exchange/snapshot", {"stream": "registry"}),
        ("/api/devices", {}),
        ("/api/unit-devices", {}),
        ("/api/network/fleet", {}),
        ("/api/network/links", {}),
        ("/api/network/recalls", {}),
        ("/api/outcomes", {}),
        ("/api/access-events", {}),
        ("/metrics", {}),
    ],
)
def test_everything_else_is_refused(network, path, asked):
    hub, _, fen = network
    with asking(hub, fen) as requests:
        answer = requests.get(path, **asked)

    assert answer.status in (401, 403, 404)
    assert answer.sentence


def test_what_the_hub_set_aside_comes_back_to_whom_it_is_of(network, tmp_path):
    """[RG11] A unit put back continues over it."""
    hub, tarn, _ = network
    tarn.copy(tmp_path / "older")
    tarn.write({"registry_patient/forged": {"unit": "unit-of-somebody", "sex": "male"}})
    tarn.tell(2, birth_year=1951)
    assert tarn.exchange(hub).refused == 1

    tarn.put_back(tmp_path / "older")
    tarn.exchange(hub)

    assert "registry_patient/forged" in tarn.shown("registry_patient")
    assert set(tarn.wanted) <= set(tarn.shown("registry_patient"))
    assert "registry_patient/forged" not in hub.shown("registry_patient")
    with tarn.store.transaction():
        assert tarn.store.waiting.gaps() == {}
