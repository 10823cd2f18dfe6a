"""What the hub of a network asks of a unit; and a hub with what its units told and people began."""

import json
import random

from api.linkage.person_traits import Person
from api.registry.pseudonyms import pseudonym_of
from api.storage.packaged_files import read_packaged_rule_files
from api.storage.site_key import load_site_key
from api.storage.unit_store import UnitStore
from api.use_cases.decide_links import decide_link
from api.use_cases.link_patients import name_link
from api.use_cases.network_exports import ask_for_export
from api.use_cases.registry_log import registry_device
from api.use_cases.release_rule_files import approve_rule_file, propose_rule_file
from tests.safety.care_canaries import CASE, PATIENT, Canaries
from tests.unit.api.clinic_story import Story
from tests.unit.api.network_hub import FEN, TARN, NetworkHub
from tests.unit.api.random_registry import invent_registry
from tests.unit.api.standing_unit import NOON_MS, StandingUnit
from tests.unit.api.test_letters import settings_file

ODETE = Person(id="", family_name="Marrowick", given_name="Odete", born_on="1957-08-03")
# What units tell their hub of patients.
_TOLD_BY_UNITS = (
    "registry_patient",
    "registry_case",
    "registry_implant",
    "registry_look",
    "registry_event",
)
_REFERENCES = {"unit": TARN, "patient": "registry_patient/told", "case": "registry_case/told"}
# What is told of all patients together as a sum: a canary would swell it.
_ADDED_UP = {"windows_due": 3, "windows_kept": 2}
NOTICE = {"criteria": {"lots": ["VK4417"]}, "reason": "Coil may break", "issued_on": "2026-03-10"}


def plant_asked_by_the_hub(store: UnitStore) -> None:
    """Write what the hub asks, and a coil of the lot that it recalls."""
    site_key = load_site_key(store.folder)
    with store.transaction():
        tablet = Story(store, device="tablet-s", now_ms=NOON_MS)
        tablet.write("coil_placed/recalled", case=CASE, device={"lot": "VK4417"})
        for number, role in enumerate(("endoscopist", "endoscopist"), 1):
            tablet.write(f"staff/s-{number}", name=f"Dr Saltmere {number}", role=role, active=True)
        hub = Story(store, device="hub", now_ms=NOON_MS)
        hub.write("network_recall/n", **NOTICE, state="in-force", to=[])
        hub.write(
            "network_link/l",
            a=pseudonym_of(site_key, PATIENT),
            b="registry_patient/other",
            units=[registry_device(store), "unit-fen"],
            unit_names=["Tarn Hollow", "Marlow Fen"],
            score={"probability_per_mille": 960, "traits": ["names: alike"]},
            state="proposed",
        )
        for version in (1002, 1003):
            hub.write(
                f"network_rule_file/f-{version}",
                file={"name": "letters/settings", "version": version},
                content=settings_file(version, unit_name="Fen Edge Hospital").decode(),
                state="offered",
            )


def plant_hub(unit: StandingUnit) -> int:
    """Let units tell a hub of patients, of one a canary in every field; begin its work.

    A link waits for its second voice, an export for its decision, an approved file to be sent.
    Returns how many canaries were planted.
    """
    network = NetworkHub(unit.store)
    other = network.person("Ada Reedmace")
    link = name_link(network.patient(TARN, "a", ODETE), network.patient(FEN, "b", ODETE))
    network.tend()
    decide_link(unit.store, link, "agree", because="", by=other, chance=network.chance())
    wanted = {"project": "Coils", "purpose": "A register study", "from_on": "", "until_on": ""}
    ask_for_export(unit.store, **wanted, by=other, new_id="e-1", now_ms=NOON_MS)
    _approve_a_file(network, other)
    for by, record, fields in invent_registry(random.Random(9), units=(TARN, FEN), cases=24):
        network.write(by, record, **fields)
    drawn, held = Canaries(), _REFERENCES | _ADDED_UP
    for kind in unit.store.catalogue.kinds.values():
        if kind.id in _TOLD_BY_UNITS:
            fields = {
                field.id: held.get(field.id) or drawn.of(field.type, fields=field.fields)
                for field in kind.fields
            }
            network.write(TARN, f"{kind.id}/told", **fields)
    return drawn.count


def _approve_a_file(network: NetworkHub, by: str) -> None:
    """Let two people of the hub approve a version of its own."""
    held = json.loads(read_packaged_rule_files()["sizing/limits.v2.json"])
    content = json.dumps({**held, "version": 1001}).encode()
    endoscopist = network.person("Piers Larkspire", "endoscopist")
    propose_rule_file(network.store, content, by=endoscopist, chance=network.chance())
    for one in (endoscopist, by):
        approve_rule_file(
            network.store,
            "sizing/limits",
            1001,
            by=one,
            from_on="2026-03-16",
            on="2026-03-16",
            chance=network.chance(),
        )
