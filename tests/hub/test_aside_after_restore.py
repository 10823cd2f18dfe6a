"""What a hub lost and cannot prove to be its own is told to its people until they see to it."""

import pytest

from api.use_cases.hub_heads import forget_hub_heads
from api.use_cases.list_network_aside import list_network_aside
from api.use_cases.network_recalls import add_network_recall, withdraw_network_recall
from api.use_cases.people import add_person
from sync.clock import DAY_MS
from tests.hub.test_healing import FILE, LINK, put_back, settle, withdraw


class LossyHub:
    """A hub that is put back to before what its people did, which one unit brings unsigned."""

    def __init__(self, hub, unit, place):
        self.hub, self.unit, self.place = hub, unit, place
        unit.join(hub)
        self.manager = add_person(
            hub.store, "Ida Norrwood", "data-manager", by="", chance=hub.chance()
        )
        self.notice = add_network_recall(
            hub.store,
            {"lots": ["VK4417"]},
            item="coil",
            reason="Coil may break",
            issued_on="2026-03-10",
            by=self.manager,
            chance=hub.chance(),
        )
        file = {"file": {"name": "trace/default", "version": 1001}, "state": "offered"}
        hub.write({FILE: file, LINK: {"state": "joined", "units": [unit.device, "unit-x"]}})
        settle(hub, [unit])
        hub.copy(place)

    def withdraw(self):
        withdraw_network_recall(
            self.hub.store,
            self.notice,
            by=self.manager,
            because="Cleared by the maker",
            chance=self.hub.chance(),
        )

    def lose(self):
        settle(self.hub, [self.unit])
        with self.unit.store.transaction():
            # As a unit of a release that kept none.
            forget_hub_heads(self.unit.store)
        put_back(self.hub, self.place, generation="hub-generation-2")
        self.hub.environment.moved["drawn"] += 1_000
        settle(self.hub, [self.unit])

    def aside(self, days=0):
        now_ms = self.hub.environment.now_ms() + days * DAY_MS
        return list_network_aside(self.hub.store, now_ms=now_ms)


@pytest.fixture
def lossy(hub, units, tmp_path):
    return LossyHub(hub, units[0], tmp_path / "older")


def test_each_lost_act_is_told_until_it_is_done_again(lossy):
    """[RG13] [HAZ-46]

    Caught: nobody at the hub was told. A recall that had been withdrawn stood in force, and the
    sentence "do it again at the hub" lay where no desk showed it.
    """
    lossy.withdraw()
    withdraw(lossy.hub, FILE)
    with lossy.hub.store.transaction():
        over = {"state": lossy.hub.store.views.state_of(LINK).fields["state"].references}
    lossy.hub.write({LINK: {"state": "parted"}}, over={LINK: over})
    assert lossy.aside().words == []
    assert lossy.aside().put_back_ms is None
    lossy.lose()

    told = lossy.aside()
    assert (told.is_open, told.more, told.of_units) == (True, 0, 0)
    assert [(one.kind, one.act) for one in told.words] == [
        ("link", "parted"),
        ("rule-file", "withdrawn"),
        ("recall", "withdrawn"),
    ]
    link, file, recall = told.words
    assert (recall.by_name, recall.because) == ("Ida Norrwood", "Cleared by the maker")
    assert (recall.criteria.lots, recall.issued_on) == (("VK4417",), "2026-03-10")
    assert (file.file, file.version) == ("trace/default", 1001)
    assert link.unit_names == ("this unit", "unit-x")
    assert lossy.aside(days=31).is_open is False

    lossy.withdraw()
    withdraw(lossy.hub, FILE)
    assert [one.kind for one in lossy.aside(days=31).words] == ["link"]


def test_what_people_decided_otherwise_since_is_told_no_longer_but_for_a_recall(lossy):
    """[RG13] A recall in force is ended by its withdrawal alone."""
    withdraw(lossy.hub, FILE)
    lossy.withdraw()
    lossy.lose()
    with lossy.hub.store.transaction():
        over = {"state": lossy.hub.store.views.state_of(FILE).fields["state"].references}
    lossy.hub.write({FILE: {"state": "offered"}}, over={FILE: over})

    assert [one.kind for one in lossy.aside().words] == ["recall"]


def test_health_counts_what_lies_aside(lossy):
    """Caught: health told of waiting entries, forks and damage, and of nothing that lay aside."""
    lossy.withdraw()
    lossy.lose()

    assert lossy.hub._client.get("/api/health").json()["set_aside"] == 1
