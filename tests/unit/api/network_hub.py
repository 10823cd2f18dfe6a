"""A hub and what units write into it: a store in a folder, and logs of units as they push them."""

from dataclasses import dataclass, field
from typing import Any

from api.linkage.encoded_traits import encode_person
from api.linkage.person_traits import Person
from api.linkage.sent_traits import write_traits
from api.storage.unit_store import open_unit_store
from api.use_cases.decide_links import decide_link
from api.use_cases.link_patients import name_link, tend_links
from api.use_cases.people import add_person
from api.use_cases.server_log import Chance
from api.use_cases.server_role import settle_role
from api.use_cases.settle_links import group_of, list_findings
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS

KEY = b"a key of the network, for tests"
TARN, FEN, LOW = "unit-tarn", "unit-fen", "unit-low"
NAMES = {TARN: "Tarn Hollow", FEN: "Marlow Fen", LOW: "Lowmoor"}
# One woman, as two units write her name.
ODETE = Person(
    id="", family_name="Marrowick", given_name="Odete", born_on="1957-08-03", sex="female"
)
ODETTE = Person(
    id="", family_name="Marrowick", given_name="Odette", born_on="1957-08-03", sex="female"
)
# What Odette's record says once it turned out to be somebody else's.
BAO = Person(id="", family_name="Okonkwo", given_name="Bao", born_on="1957-01-30", sex="male")


@dataclass
class NetworkHub:
    """A hub with three units that have joined."""

    store: Any
    drawn: int = 0
    units: dict[str, Story] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for number, (unit, name) in enumerate(NAMES.items()):
            with self.store.transaction():
                self.store.devices.keep(unit, name, "unit", f"token-{unit}", joined_ms=NOON_MS)
            self.units[unit] = Story(self.store, device=unit, now_ms=NOON_MS + number * 1_000_000)

    def chance(self) -> Chance:
        self.drawn += 1
        return Chance(
            new_id=f"h{self.drawn:07}",
            new_epoch="ep01",
            salt=f"{self.drawn:032x}",
            now_ms=NOON_MS + 10_000_000 + self.drawn,
        )

    def person(self, name: str, role: str = "data-manager") -> str:
        """Add somebody who works at the hub."""
        return add_person(self.store, name, role, by="", chance=self.chance())

    def patient(self, unit: str, name: str, person: Person, **more: Any) -> str:
        """Let a unit publish a patient with traits, and return the record."""
        record = f"registry_patient/{name}"
        traits = write_traits(encode_person(person, KEY))
        year = {"birth_year": int(person.born_on[:4])} if person.born_on else {}
        with self.store.transaction():
            self.units[unit].write(record, unit=unit, traits=traits, **{**year, **more})
        return record

    def write(self, by: str, record: str, /, **fields: Any) -> Any:
        """Let a unit publish a record."""
        with self.store.transaction():
            return self.units[by].write(record, **fields)

    def answer(self, unit: str, link: str, answer: str) -> None:
        """Let a unit answer a proposal, having read all that the hub has written."""
        story = self.units[unit]
        story.now_ms = max(story.now_ms, self.chance().now_ms)
        name = f"registry_link_answer/{unit}-{link.split('/')[1][:8]}"
        self.write(unit, name, unit=unit, proposal=link, answer=answer)

    def propose_pair(self) -> str:
        """Let two units publish one woman, and return the link that is proposed."""
        a, b = self.patient(TARN, "a1", ODETE), self.patient(FEN, "b1", ODETTE)
        self.tend()
        return name_link(a, b)

    def decide(self, link: str, act: Any, by: str, because: str = "") -> Any:
        """Let somebody of the hub decide about a link."""
        return decide_link(self.store, link, act, because=because, by=by, chance=self.chance())

    def tend(self) -> Any:
        """Do one round of the hub."""
        return tend_links(self.store, now_ms=self.chance().now_ms, draw_chance=self.chance)

    def state(self, record: str) -> Any:
        """Return what a record shows."""
        with self.store.transaction():
            return self.store.views.state_of(record)


def open_hub(folder: Any) -> NetworkHub:
    """Open a new hub in a folder."""
    store = open_unit_store(folder, new_generation="generation-1")
    settle_role(store, as_hub=True)
    return NetworkHub(store)


def list_groups(store: Any) -> tuple[list[tuple[str, ...]], list[Any]]:
    """Return who is one person, asked of each who is joined, and what a guard keeps apart."""
    with store.reading():
        rows = store.links.links_standing(("joined", "parting"), limit=100_000)
        named = {name for row in rows for name in (row.one, row.other)}
        groups = {group_of(store, name) for name in named}
        return sorted(one for one in groups if len(one) > 1), list_findings(store)
