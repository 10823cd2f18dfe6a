"""A unit and a hub full of secrets, with every route of both asked for what it does."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from api.storage import snapshots
from tests.safety import walked_desk, walked_devices, walked_hub, walked_unit
from tests.safety.asked_requests import MACHINE, Asker, Asking
from tests.safety.drawn_requests import serving_at_any_pace
from tests.safety.planted_network import plant_asked_by_the_hub, plant_hub
from tests.safety.planted_secrets import Secrets, load_stories
from tests.safety.walked_devices import CanaryTablet
from tests.safety.walked_hub import WatchedLine
from tests.unit.api.test_letters import propose, settings_file

LOT = "VK4417"
# Two servers never draw the same ids.
DRAWN_AT_HUB = 500_000


@dataclass
class CanaryWalk:
    """Both servers, what was asked of them, and the line between them.

    ``of_unit`` is what was planted at the unit before it met the hub.
    """

    folder: Path
    unit: Asking
    hub: Asking
    line: WatchedLine
    secrets: Secrets = field(default_factory=Secrets)
    people: dict[str, Asker] = field(default_factory=dict)
    people_of_hub: dict[str, Asker] = field(default_factory=dict)
    tablet: Asker | None = None
    aside: dict[str, str] = field(default_factory=dict)
    of_unit: frozenset[str] = frozenset()

    @property
    def sides(self) -> dict[str, Asking]:
        """The two servers by the names of their folders."""
        return {"unit": self.unit, "hub": self.hub}

    def log_of(self, side: str) -> str:
        """Return the log of a server."""
        lines = sorted((self.folder / side / "log").iterdir())
        return "".join(path.read_text(encoding="utf-8") for path in lines)

    def records(self, kind: str) -> list[Any]:
        """Return the records of a kind at the unit."""
        with self.unit.unit.store.transaction():
            return self.unit.unit.store.views.of_kind(kind)

    def play(self, *, with_clinic: bool = True) -> None:
        """Plant the secrets and ask both servers; once.

        Parameters
        ----------
        with_clinic : bool
            Ask the unit for papers, letters, bookings and lists, too, which no hub hears of.
        """
        if self.tablet is not None:
            return
        self._begin()
        before = frozenset(self.secrets.planted)
        self._play_devices()
        self.of_unit |= frozenset(self.secrets.planted) - before
        if with_clinic:
            self._play_clinic()
        self._play_network()
        self._play_hub()

    def _begin(self) -> None:
        store, words = self.unit.unit.store, ("unit_name", "unit_address", "unit_phone")
        plant_hub(self.hub.unit)
        load_stories(self.unit.unit)
        settings = {name: self.secrets.draw(f"letters: {name}") for name in words}
        propose(store, settings_file(**settings))
        plant_asked_by_the_hub(store)
        self.people = walked_desk.log_everybody_in(self.unit, self.secrets)
        self.of_unit = frozenset(self.secrets.planted)
        self.people_of_hub = walked_desk.log_everybody_in(self.hub, self.secrets)

    def _play_devices(self) -> None:
        unit, secrets, admin = self.unit, self.secrets, self.people["unit-admin"]
        self.tablet = walked_devices.let_join(unit, admin, secrets)
        self.pushing = CanaryTablet(unit, self.tablet, secrets)
        self.pushing.push_secrets()
        # Whom a pair of the network is about.
        self.pushing.push("patient/p-1", {"family_name": secrets.draw("family name")})
        self.pushing.send_picture(self.records("case")[0].record)
        self.aside = self.pushing.aside
        walked_unit.read_app(unit)
        walked_devices.exchange(unit, self.tablet, secrets)
        unit.ask(admin, "GET /api/unit-devices")
        walked_devices.give_up_device(unit, admin, secrets)
        walked_desk.keep_people(unit, admin, self.tablet, secrets)
        walked_desk.use_own_session(unit, secrets)

    def _play_clinic(self) -> None:
        unit, secrets, tablet = self.unit, self.secrets, self.tablet
        assert tablet is not None
        cases = [one.record.partition("/")[2] for one in self.records("case")]
        visits = [one.record for one in self.records("visit")]
        patients = [one.record for one in self.records("patient")]
        walked_unit.print_papers(unit, tablet, cases)
        walked_unit.run_clinic(unit, tablet, secrets, visits[:3])
        walked_unit.feed_calendars(unit, tablet, secrets, self.places())
        walked_unit.trace_lots(unit, tablet, secrets, LOT)
        manager = self.people["data-manager"]
        walked_unit.keep_privacy(unit, manager, secrets, patients[0], lost=tablet)
        walked_desk.search_access(unit, self.people, patients[0])
        walked_unit.answer_links(unit, self.people["endoscopist"])

    def places(self) -> list[str]:
        """Return where sessions are held."""
        return sorted(
            {
                value.value
                for one in self.records("clinic_session")
                if "place" in one.fields
                for value in one.fields["place"].values
            }
        )

    def _play_network(self) -> None:
        unit, hub, secrets = self.unit, self.hub, self.secrets
        admin, manager = self.people_of_hub["unit-admin"], self.people_of_hub["data-manager"]
        code = walked_hub.invite_unit(hub, admin, secrets)
        walked_unit.meet_network(
            unit,
            self.people,
            f"{walked_hub.ADDRESS}/#join={code}",
            lambda name, digits: hub.done(
                admin, "POST /api/confirmations", json={"device": name, "fingerprint": digits}
            ),
        )
        self.notice = walked_hub.write_recall(hub, manager, secrets, LOT)
        walked_hub.keep_rule_files(hub, self.people_of_hub, secrets)
        unit.ask(MACHINE, "POST /api/network/rounds")
        walked_unit.answer_network(unit, self.people, secrets)
        self.pushing.push_otherwise()

    def _play_hub(self) -> None:
        hub, people, secrets = self.hub, self.people_of_hub, self.secrets
        admin, manager = people["unit-admin"], people["data-manager"]
        walked_hub.withdraw_rule_file(hub, manager, secrets)
        told = walked_hub.let_unit_join(hub, admin, secrets)
        walked_hub.exchange_as_unit(hub, told, secrets)
        walked_hub.end_recall(hub, people, secrets, self.notice)
        walked_hub.decide_exports(hub, people, secrets)
        walked_hub.settle_links(hub, manager)
        walked_hub.lose_unit(hub, admin, told, secrets)
        walked_hub.read_server(hub, people)
        walked_desk.keep_people(hub, admin, None, secrets)
        walked_desk.use_own_session(hub, secrets)
        walked_desk.search_access(hub, people, "")


@contextmanager
def serving_canaries(folder: Path, *, database: str = "") -> Iterator[CanaryWalk]:
    """Serve a unit and a hub, each with a log, and a line between them that keeps what it sends.

    Parameters
    ----------
    database : str
        Address of the hub's PostgreSQL; "" for a hub over a file.
    """
    with ExitStack() as open_now:
        patch = open_now.enter_context(pytest.MonkeyPatch.context())
        patch.setattr(snapshots, "SEGMENT_OPERATIONS", 4)
        unit, hub = (
            open_now.enter_context(
                serving_at_any_pace(
                    folder / side / "data",
                    as_hub=side == "hub",
                    database=database if side == "hub" else "",
                    log_folder=folder / side / "log",
                )
            )
            for side in ("unit", "hub")
        )
        hub.environment.moved["drawn"] = DRAWN_AT_HUB
        line = WatchedLine(hub)
        unit.client.app.state.surroundings.hub_line.open_transport = lambda: line
        yield CanaryWalk(folder, Asking(unit), Asking(hub), line)
