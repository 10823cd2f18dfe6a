"""What one part of a round with the hub cannot do keeps no other part from its work."""

import pytest

from api.use_cases.errors import CalculationError
from api.use_cases.list_network_recalls import list_network_recalls
from api.use_cases.network_recalls import add_network_recall
from api.use_cases.people import add_person
from api.use_cases.publish_to_hub import exchange_with_hub
from tests.hub.recalled_network import open_unit
from tests.hub.standing_network import Line, StandingHub

SECRET = "Marrowick"


@pytest.fixture
def hub(tmp_path):
    made = StandingHub(tmp_path / "hub")
    yield made
    made.close()


@pytest.fixture
def unit(tmp_path, hub):
    made = open_unit(tmp_path, "tarn")
    made.care.treat("case/c-1", "patient/p-1", "2026-03-02")
    made.server.join(hub)
    made.exchange(hub)
    yield made
    made.server.close()


def _exchange(unit, hub, publish=None):
    return exchange_with_hub(
        unit.server.store,
        build="test",
        today="2026-09-21",
        draw_chance=unit.server.chance,
        open_transport=lambda: Line(hub),
        publish=publish,
    )


@pytest.mark.parametrize("is_foreseen", [True, False])
def test_what_cannot_be_published_keeps_no_recall_unanswered_and_no_report_back(
    hub, unit, is_foreseen
):
    """[NL10] [DM-01] The line says why, and the hub hears of the unit all the same.

    It was red before: neither was told. Planted and caught, each: what follows is left out; the
    fault stands in no line.
    """
    by = add_person(hub.store, "Ida Norrwood", "data-manager", by="", chance=hub.chance())
    add_network_recall(
        hub.store,
        {"lots": ["L-0417-A"]},
        item="coil",
        reason="Coil may break at the joint",
        issued_on="2026-09-20",
        by=by,
        chance=hub.chance(),
    )
    _exchange(unit, hub)
    with unit.server.store.transaction():
        (own,) = unit.server.store.views.of_kind("recall_notice")
    unit.care.write(own.record, state="withdrawn")
    with hub.store.transaction():
        (before,) = hub.store.standings.latest()

    def fail(*_):
        raise CalculationError("No rule file.") if is_foreseen else ValueError(SECRET)

    line = _exchange(unit, hub, publish=fail)

    ((found,),) = [
        one.units for one in list_network_recalls(hub.store, now_ms=hub.environment.now_ms())
    ]
    assert found.answer == "not-heeded"
    with hub.store.transaction():
        (after,) = hub.store.standings.latest()
    assert after.content != before.content
    assert line.sentence == (
        "No rule file."
        if is_foreseen
        else "The exchange with the hub broke (ValueError). It is tried again; if this stays so, "
        "tell whoever looks after this server and the hub."
    )
    assert _exchange(unit, hub).sentence == ""
