"""A unit and a hub in which every place of the catalogue that takes text holds a hostile one.

Each text ends in the mark of its place, so that whoever reads a screen knows which it shows. What
the stories played keeps its links and gets other texts; beside it stands a record of every kind,
made from the catalogue alone and pushed through the door of a tablet.
"""

import itertools
import re
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from api.record_catalogue.catalogue import REGISTRY, Catalogue
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.network_exports import ask_for_export
from api.use_cases.receive_push import receive_push
from sync.merge import shown_value
from tests.browser.hostile_texts import HOSTILE
from tests.safety.drafting_tablet import Tablet
from tests.safety.filled_records import fill_record, replace_texts, text_places
from tests.safety.planted_network import plant_asked_by_the_hub, plant_hub
from tests.safety.planted_secrets import OF_THE_SERVER, READ_BY_PROGRAMS
from tests.unit.api.clinic_story import Story
from tests.unit.api.network_hub import FEN, LOW, TARN, open_hub

# After every entry of the stories, in the year 2100.
LATER_MS = 4_102_444_800_000
# The one person by whose name the walk finds who taps.
WHO_TAPS = "Otis"
# Nothing may stand behind these: as a whole they are names of what every object has, or a path.
WHOLE = frozenset({"__proto__", "constructor", "../../../etc/passwd"})
BEDSIDE = Device("hostile-a", "hostile-a", "bedside", None)
# By these a hub finds whose a record is, and what belongs to what.
AT_HUB = (
    *(f"{kind}.unit" for kind in ("registry_patient", "registry_case")),
    *(f"{kind}.unit" for kind in ("registry_recall_answer", "registry_link_answer")),
    *(f"registry_patient.traits.{part}" for part in ("national", "born", "names")),
    *("network_rule_file.file.name", "network_rule_file.content"),
)
_MARK = re.compile(r"qz(\d{3})z")


class HostileTexts:
    """Draws a hostile text for a place and marks it by the place's number in the catalogue."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.places = text_places(catalogue)
        self._numbers = {place: number for number, place in enumerate(self.places)}
        self._texts = itertools.cycle(HOSTILE)

    def draw(self, place: str) -> str:
        """Return the next hostile text; what has to stand alone comes without a mark."""
        text = next(self._texts)
        if text in WHOLE:
            return text
        # What the catalogue describes no further, as the inside of a plan, is no place of its own.
        number = self._numbers.get(place)
        return text if number is None else f"{text} qz{number:03d}z"

    def seen_in(self, shown: str) -> set[str]:
        """Return the places whose texts a screen showed."""
        return {self.places[int(number)] for number in _MARK.findall(shown)}


def plant_hostile_unit(folder: Path) -> dict[str, list[str]]:
    """Make every text of a unit hostile; return the ids of its cases and patients."""
    store = open_unit_store(folder, new_generation="generation-1")
    try:
        plant_asked_by_the_hub(store)
        _plant(store, HostileTexts(store.catalogue))
        with store.transaction():
            return {
                kind: [view.record.split("/")[1] for view in store.views.of_kind(kind)]
                for kind in ("case", "patient")
            }
    finally:
        store.close()


def plant_hostile_hub(folder: Path) -> None:
    """Make every text of a hub hostile: what units told, what people wrote, names of units."""
    hub = open_hub(folder)
    store = hub.store
    try:
        plant_hub(SimpleNamespace(store=store))  # type: ignore[arg-type]
        with store.transaction():
            for number, unit in enumerate((TARN, FEN, LOW)):
                name = f"Unit {HOSTILE[number]}"
                store.devices.keep(unit, name, "unit", f"token-{unit}", joined_ms=LATER_MS)
        wanted = {"project": HOSTILE[11], "purpose": HOSTILE[12], "from_on": "", "until_on": ""}
        # Whoever planted the hub drew ids as well.
        hub.drawn = 1_000
        by = hub.person(HOSTILE[13], "data-manager")
        ask_for_export(store, **wanted, by=by, new_id="e-hostile", now_ms=LATER_MS)
        # Of whom a unit tells, it tells by names of records: those stay.
        _plant(store, HostileTexts(store.catalogue), frozenset(AT_HUB))
    finally:
        store.close()


def _plant(store: UnitStore, texts: HostileTexts, more_kept: frozenset[str] = frozenset()) -> None:
    """Write other texts on all that is there and one record of each kind, by who may."""
    environment = SimpleNamespace(now_ms=lambda: LATER_MS)
    surroundings = SimpleNamespace(store=store, environment=environment, signers={})
    tablet = Tablet(surroundings, "hostile-a")  # type: ignore[arg-type]
    server = Story(store, device="hostile-server", now_ms=LATER_MS)
    for record, fields in _planned(store, texts, READ_BY_PROGRAMS | more_kept):
        kind = record.partition("/")[0]
        if kind in OF_THE_SERVER or store.catalogue.kinds[kind].stream == REGISTRY:
            with store.transaction():
                server.write(record, **fields)
            continue
        pushed = tablet.write(record, fields)["operations"]
        answer = receive_push(store, BEDSIDE, pushed, now_ms=LATER_MS)
        assert answer.quarantined == (), answer.quarantined
        tablet.keep()


def _planned(
    store: UnitStore, texts: HostileTexts, kept: frozenset[str]
) -> list[tuple[str, dict[str, Any]]]:
    planned = []
    with store.transaction():
        there = {kind: store.views.of_kind(kind) for kind in store.catalogue.kinds}
    for kind in store.catalogue.kinds.values():
        for state in there[kind.id]:
            held = {name: shown_value(field) for name, field in state.fields.items()}
            if kind.id == "staff" and WHO_TAPS in str(held.get("name")):
                continue
            changed = replace_texts(kind, held, texts.draw, kept)
            if changed:
                planned.append((state.record, changed))
        filled = fill_record(kind, texts.draw, _references(there))
        # A unit that is live has nothing in force that two people have not approved.
        filled.pop("live_from", None)
        planned.append((f"{kind.id}/hostile", filled))
    return planned


def _references(there: Mapping[str, list[Any]]) -> dict[str, str]:
    first = {kind: states[0].record for kind, states in there.items() if states}
    return {**first, "package": "package_opened/hostile", "stock": first.get("stock_item", "")}
