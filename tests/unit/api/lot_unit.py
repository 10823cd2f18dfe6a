"""A unit that holds implants and is searched for lots, as the tests of lots and notices need it."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from api.storage.unit_store import open_unit_store
from api.use_cases.find_lots import find_lots, read_search
from api.use_cases.server_log import Chance
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

ON = "2026-03-20"
LOT = {"lot": "VK4417", "identifier": "09506000134352", "expires_on": "2028-06-30"}


class Unit:
    """A store with one tablet that writes cases into it."""

    def __init__(self, store):
        self.store = store
        self.story = Story(store, device="tablet-s", now_ms=NOON_MS)
        self._drawn = 0

    def case(self, name, **more):
        self.story.write(
            f"patient/{name}",
            family_name=f"Vareth-{name}",
            given_name="Ilo",
            born_on="1961-02-03",
            local_id=f"TH-{name}",
            **more,
        )
        return self.story.write(f"case/{name}", patient=f"patient/{name}", stage="closed")

    def implant(self, name, device, *, kind="coil_placed", on="2026-03-16", sees=True, **more):
        fields = {"case": f"case/{name.split('-')[0]}", "at": f"{on}T10:00:00+00:00", **more}
        return self.story.write(f"{kind}/{name}", device=device, sees=sees, **fields)

    def chance(self):
        self._drawn += 1
        return Chance(
            new_id=f"x{self._drawn:05}",
            new_epoch="ep01",
            salt=f"{self._drawn:032x}",
            now_ms=NOON_MS + 90_000 + self._drawn,
        )

    def find(self, *, on=ON, entry="", by="staff/s-1", because="notice of 20 March", **search):
        return find_lots(
            self.store,
            read_search(search),
            on=on,
            by=by,
            because=because,
            chance=self.chance(),
            entry=entry,
        )

    def entries(self):
        kept = self.store.views.of_kind("lot_search")
        return {state.record.split("/")[1]: _counts_of(state) for state in kept}

    def groups(self, **search):
        return {one.record.split("/")[1]: one.group for one in self.find(**search).implants}


def _counts_of(state):
    return [sorted(one.value for one in state.fields[name].values) for name in ("found", "unknown")]


@contextmanager
def open_lot_unit(folder: Path) -> Iterator[Unit]:
    """Open a store with a bedside tablet, a desk, one person and one site."""
    store = open_unit_store(folder, new_generation="generation-1")
    with store.transaction():
        store.devices.keep("tablet-s", "Room 2", "bedside", "token-s", joined_ms=NOON_MS)
        store.devices.keep("desk-a", "Desk", "booking", "token-d", joined_ms=NOON_MS)
        made = Unit(store)
        made.story.write("staff/s-1", name="Juno Marrowby", role="data-manager", active=True)
        made.story.write("site/s-1", name="Saltmere Unit")
        yield made
    store.close()
