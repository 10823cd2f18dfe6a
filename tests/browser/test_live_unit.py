"""A unit in training says so on every screen; a live one computes by approved rule files alone.

Plays the built app and the real server. Cites HAZ-11, HAZ-52, HARD-07, RL5 and RL7.
"""

import pytest
from playwright.sync_api import Page, expect

from api.clinical_rules.rule_book import read_listing
from api.environment import Environment
from api.storage.packaged_files import read_packaged_rule_files
from api.storage.unit_store import UnitStore, open_unit_store
from api.use_cases.add_staff import add_staff
from api.use_cases.release_rule_files import approve_rule_file, go_live, retire_rule_file
from api.use_cases.server_log import Chance
from tests.browser import played_case as case
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

HERE = Environment()


def chance() -> Chance:
    return Chance(
        new_id=HERE.new_id(),
        new_epoch=HERE.new_id(),
        salt=HERE.new_salt(),
        now_ms=HERE.now_ms(),
    )


def go_live_with_everything_approved(store: UnitStore) -> str:
    """Let two people approve every listed rule file, go live, and return one of the two."""
    today = HERE.today()
    people = [
        add_staff(store, "Dr Otis Bramblewick", "endoscopist", chance=chance()),
        add_staff(store, "Pell Thistlewood", "data-manager", chance=chance()),
    ]
    for name, version in read_listing(read_packaged_rule_files()).items():
        for person in people:
            approve_rule_file(
                store, name, version, by=person, from_on=today, on=today, chance=chance()
            )
    go_live(store, by=people[0], on=today, chance=chance())
    return people[0]


def mark(page: Page):
    return page.locator("[data-training-mark]")


def test_training_is_marked_on_every_place(server: UnitServer, new_device):
    """[RL5] [HAZ-52]"""
    story = str(ROOT / "seed_scenarios/00_unit.json")
    server.crura("load-scenario", story, "--as-if-today", "today")
    server.start()
    page = new_device("tablet").start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    for place in ("Clinic", "Decisions", "About", "Cases"):
        case.go(page, place)
        expect(mark(page)).to_be_visible()
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    for place in ("Plan", "Procedure", "Close-out", "Surveillance", "Workup"):
        case.go(page, place)
        expect(mark(page)).to_contain_text("no real patients")


def test_a_live_unit_shows_numbers_until_their_rule_file_is_retired(server: UnitServer, new_device):
    """[RL5] [RL7] [HARD-07] [HAZ-11] No number without its file; the steps are still there."""
    store = open_unit_store(server.folder, new_generation=HERE.new_id())
    otis = go_live_with_everything_approved(store)
    store.close()
    server.start()
    page = new_device("tablet").start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    expect(mark(page)).to_have_count(0)
    case.go(page, "About")
    lines = page.locator("[data-rule-file]")
    expect(lines.first).to_contain_text("Approved by Dr Otis Bramblewick, Pell Thistlewood.")
    listed = read_listing(read_packaged_rule_files())
    expect(lines.filter(has_text="in force.")).to_have_count(len(listed))
    case.go(page, "Cases")
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    case.fill_workup(page)
    case.wait_until_sent(page)

    server.stop()
    store = open_unit_store(server.folder, new_generation=HERE.new_id())
    for name in ("liver_scores/bands", "step_protocols/coil_and_adhesive"):
        retire_rule_file(store, name, listed[name], by=otis, on=HERE.today(), chance=chance())
    store.close()
    server.start()

    case.press(page, "Cases")
    case.press(page, "About")
    expect(lines.filter(has_text="liver_scores/bands")).to_contain_text("retired", timeout=60_000)
    case.press(page, "Cases")
    case.press(page, "Quillmere")
    case.go(page, "Workup")
    case.press(page, "Liver")
    expect(page.get_by_text("Rule file liver_scores/bands is not in force")).to_be_visible()
    expect(page.get_by_text("Class B, 9 points")).to_have_count(0)
    case.confirm_identity(page)
    assert case.ask(page)
