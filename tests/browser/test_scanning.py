"""Packages scanned at the bedside without a network: by the camera, by hand scanner, and typed.

Plays the built app with a fake camera of Chromium that shows codes drawn here. Cites GT17, GT18,
HAZ-23, HAZ-46, UX-02, UX-08, TASK-08.
"""

import json
import re
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, Playwright, expect

from api.storage.unit_store import open_unit_store
from sync.merge import shown_value
from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.hand_scanner import SEPARATOR, TYPE_LIKE_A_SCANNER, scan_by_hand
from tests.browser.label_video import FLAGS, write_label_video
from tests.browser.measures import Faults, find_faults, read_screen
from tests.browser.served_build import ServedBuild
from tests.browser.tap_counter import read_touches, start_counting
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

# Identifiers of the prefix that GS1 keeps for examples (published).
COIL, NEEDLE = "09521234543213", "09521234543220"
# Check characters and digits by DL2 and DL7.
ADHESIVE = "A123BJC5D6E71"
HIBC = "+A123BJC5D6E71/$$3270228LOT1I"
GS1_COIL = f"(01){COIL}(17)280430(10)L-0417-E(21)SN001"
GS1_NEEDLE = f"(01){NEEDLE}(17)280430(10)L-0633-A"
RAW_COIL = f"01{COIL}1728043010L-0417-E{SEPARATOR}21SN"

IDENTIFIERS = {
    "coil-15-035": [COIL],
    "needle-19": [NEEDLE],
    "adhesive-octyl": [ADHESIVE],
}
READER_IS_KEPT = """async () => {
  const cache = await caches.open('crura-label-reader');
  return (await cache.keys()).length === 1;
}"""


@dataclass
class Played:
    """What was read on the way, and what the record holds at the end."""

    read: dict[str, str] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    touches: dict[str, int] = field(default_factory=dict)
    faults: dict[str, Faults] = field(default_factory=dict)
    packages: list[dict[str, Any]] = field(default_factory=list)
    coils: list[dict[str, Any]] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    def measure(self, page: Page, stop: str, *, wants_primary: bool = True) -> None:
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            page.evaluate("() => new Promise(done => requestAnimationFrame(() => done()))")
            self.faults[f"{stop}, {size}"] = find_faults(
                read_screen(page), wants_primary=wants_primary
            )
        width, height = SIZES["tall"]
        page.set_viewport_size({"width": width, "height": height})


def go_to_step(page: Page, number: str) -> None:
    case.press(page, "Other step", exact=True)
    page.get_by_role("dialog").get_by_role("button", name=re.compile(f"^{number}")).first.click()
    expect(page.get_by_role("dialog")).to_have_count(0)


def wait_for_reader(page: Page, *, within_s: float = 30) -> None:
    """Wait until the tablet has put the reader of codes by."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if page.evaluate(READER_IS_KEPT):
            return
        time.sleep(0.2)
    raise AssertionError("The reader of codes was not kept.")


def record(page: Page) -> None:
    """Press the primary action and wait until it is on screen."""
    now = case.ask(page)
    case.primary(page).click()
    case.wait_for_redraw(page, now)


def count_touches(page: Page) -> int:
    """Return the touches since this was last asked."""
    start_counting(page)
    all_touches = len(read_touches(page))
    before = int(
        page.evaluate(
            "n => { const was = window.counted ?? 0; window.counted = n; return was; }", all_touches
        )
    )
    return all_touches - before


def scan_by_camera(page: Page) -> str:
    """Open the camera, wait for a whole label, and take it; return what was shown of it."""
    case.press(page, "Scan the label", exact=True)
    sheet = page.get_by_role("dialog")
    expect(sheet.locator("dl")).to_be_visible()
    expect(sheet.locator("video")).to_have_count(0)
    shown = sheet.locator("dl").inner_text()
    sheet.get_by_role("button", name="Take this label").click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    return shown


def say_why(page: Page, reason: str) -> None:
    """Press a reason; one that lies under the second half of a double press counts for nothing."""
    chip = page.get_by_role("group", name="Why is it used?").get_by_role("button", name=reason)
    deadline = time.monotonic() + 5
    while chip.get_attribute("aria-pressed") != "true" and time.monotonic() < deadline:
        chip.click()
        time.sleep(0.1)


def play(page: Page, server: ServedBuild, video: Path, seen: Played) -> None:
    case.add_patient_and_case(page, "Quillmere", "Dorothea")
    case.confirm_identity(page)
    expect(page.locator("[data-primary]")).to_be_visible()
    wait_for_reader(page)
    # From here on without the unit: the page comes from the service worker, the reader from its
    # cache.
    server.stop()
    page.reload()
    expect(page.locator("[data-primary]")).to_be_visible()

    go_to_step(page, "6.1")
    write_label_video(video, GS1_NEEDLE, "Code128", is_gs1=True, turned=4)
    seen.read["GS1-128"] = scan_by_camera(page)
    record(page)

    go_to_step(page, "7.1")
    write_label_video(video, GS1_COIL, "DataMatrix", is_gs1=True, turned=33)
    count_touches(page)
    seen.read["GS1 DataMatrix"] = scan_by_camera(page)
    seen.touches["camera"] = count_touches(page)
    seen.measure(page, "a lot was scanned")
    record(page)

    # A code that no step asks for presses nothing, though it ends with Enter.
    page.evaluate(TYPE_LIKE_A_SCANNER, f"{RAW_COIL}009")
    expect(page.get_by_text("No label is asked for here.")).to_be_visible()
    seen.said["stray"] = case.ask(page)

    go_to_step(page, "7.2")
    record(page)
    go_to_step(page, "7.1")
    count_touches(page)
    seen.read["hand scanner"] = scan_by_hand(page, f"{RAW_COIL}002")
    seen.touches["hand scanner"] = count_touches(page)
    record(page)
    go_to_step(page, "7.2")
    record(page)

    go_to_step(page, "7.1")
    seen.read["again"] = scan_by_hand(page, f"{RAW_COIL}001")
    seen.said["again"] = page.locator("[data-gate=SOFT-14]").inner_text()
    seen.said["waits"] = case.primary(page).inner_text()
    page.keyboard.press("PageDown")
    seen.measure(page, "why is it used")
    say_why(page, "Label read wrongly")
    seen.said["goes on"] = case.primary(page).inner_text()
    # A pedal presses the primary action, scanner or not.
    now = case.ask(page)
    page.keyboard.press("PageDown")
    case.wait_for_redraw(page, now)
    go_to_step(page, "7.2")
    record(page)

    go_to_step(page, "8.1")
    write_label_video(video, HIBC, "DataMatrix", is_gs1=False, turned=200)
    seen.read["HIBC"] = scan_by_camera(page)
    record(page)

    go_to_step(page, "7.1")
    case.press(page, "Choose the coil")
    page.get_by_role("group", name=re.compile("Coil")).get_by_role("button").first.click()
    record(page)
    go_to_step(page, "7.2")
    record(page)
    go_to_step(page, "11.2")
    seen.said["missing"] = page.locator("[data-gate=SOFT-04]").inner_text()
    case.go(page, "Close-out")
    missing = page.locator("[data-missing=coil]")
    expect(missing).to_have_count(1)
    missing.get_by_role("button").click()
    sheet = page.get_by_role("dialog")
    sheet.get_by_role("button", name="Type it").click()
    sheet.get_by_label("Lot", exact=True).fill("L-0522-C")
    seen.read["typed"] = sheet.locator("dl").inner_text()
    seen.measure(page, "typed at close-out", wants_primary=False)
    sheet.get_by_role("button", name="Take this label").click()
    expect(page.locator("[data-missing]")).to_have_count(0)
    server.start()
    case.wait_until_sent(page, within_s=90)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Played:
    folder: Path = tmp_path_factory.mktemp("scanning")
    server = ServedBuild(folder)
    story = json.loads((ROOT / "seed_scenarios/00_unit.json").read_text())
    for entry in story["timeline"]:
        kind, _, name = entry.get("record", "").partition("/")
        if kind == "stock_item":
            entry["set"]["identifiers"] = IDENTIFIERS.get(name, [])
    (folder / "unit.json").write_text(json.dumps(story))
    server.crura("load-scenario", str(folder / "unit.json"), "--as-if-today", "today")
    server.start()
    (folder / "profile").mkdir()
    video = folder / "label.y4m"
    write_label_video(video, GS1_NEEDLE, "Code128", is_gs1=True)
    flags = (*FLAGS, f"--use-file-for-fake-video-capture={video}")
    device = Device(playwright_driver, folder / "profile", "tall", flags)
    played = Played(problems=device.problems)
    try:
        page = device.start(server.invite("bedside"))
        case.join(page)
        case.choose_who_taps(page, "Otis")
        play(page, server, video, played)
    finally:
        device.kill()
        server.stop()
    store = open_unit_store(server.folder, new_generation="looked-at")
    for kind, names, kept in (
        ("package_opened", ("item", "stock_id", "device"), played.packages),
        ("coil_placed", ("package", "device"), played.coils),
        ("step_event", ("step", "answers"), played.answers),
    ):
        for state in store.views.of_kind(kind):
            kept.append({name: shown_value(state.fields.get(name)) for name in names})
    store.close()
    return played


@pytest.mark.parametrize(
    ("label", "parts"),
    [
        ("GS1-128", (NEEDLE, "L-0633-A", "2028-04-30", "Needle 19G", f"]C101{NEEDLE}")),
        ("GS1 DataMatrix", (COIL, "L-0417-E", "2028-04-30", "SN001", "Coil 15 mm", "|21SN001")),
        ("HIBC", (ADHESIVE, "LOT1", "2027-02-28", "2-octyl", HIBC)),
        ("hand scanner", (COIL, "L-0417-E", "SN002", "Coil 15 mm")),
        ("typed", ("L-0522-C",)),
    ],
)
def test_a_label_is_read_to_its_fields_without_a_network(seen: Played, label, parts):
    """[TASK-08] What was read is shown before it is taken: item, lot, dates, and the code."""
    missing = [part for part in parts if part not in seen.read[label]]

    assert missing == [], seen.read[label]


def test_a_package_is_scanned_in_two_touches(seen: Played):
    """[TASK-08] By hand scanner in one: what was read is taken by a press, never by itself."""
    assert seen.touches == {"camera": 2, "hand scanner": 1}


def test_the_record_keeps_device_and_code_as_scanned(seen: Played):
    """[HAZ-46] A package once, its coil with the same device, the separator of fields and all."""
    raw: dict[str, list[str]] = {"coil": [], "needle": [], "adhesive": []}
    for one in seen.packages:
        raw[one["item"]].append(one["device"].get("raw_label", ""))
    scanned = [f"]d2{RAW_COIL}001", f"{RAW_COIL}001", f"{RAW_COIL}002"]

    assert sorted(raw["coil"]) == sorted(["", *scanned])
    assert raw["needle"] == [f"]C101{NEEDLE}1728043010L-0633-A"]
    # The symbology identifier says that the writer named its set of characters (ISO/IEC 15424).
    assert raw["adhesive"] == [f"]d7{HIBC}"]
    assert sorted(one["device"].get("raw_label", "") for one in seen.coils) == sorted(raw["coil"])
    assert len({one["package"] for one in seen.coils}) == len(seen.coils) == 4
    first = next(one for one in seen.packages if one["device"].get("raw_label") == scanned[0])
    assert first["stock_id"] == "stock_item/coil-15-035"
    assert first["device"] == {
        "identifier": COIL,
        "lot": "L-0417-E",
        "serial": "SN001",
        "expires_on": "2028-04-30",
        "raw_label": scanned[0],
    }


def test_a_code_that_no_step_asks_for_presses_nothing(seen: Played):
    """[HAZ-23] Caught: a scan whose Enter placed a coil, as that of a pedal would have."""
    assert seen.said["stray"] == "Is consent signed?"
    assert len(seen.packages) == 6
    assert [one["step"] for one in seen.answers].count("consent") == 0


def test_a_label_opened_before_waits_for_one_press(seen: Played):
    """[GT17] [GT18] A pedal does not get past it; the reason is kept with its cause."""
    assert "A package with serial SN001 was opened before." in seen.said["again"]
    assert seen.said["waits"] == "Say why first"
    assert seen.said["goes on"] == "Package opened: 15 mm loop"
    reasons = [(one["answers"] or {}).get("used_because") for one in seen.answers]
    assert [one for one in reasons if one] == [
        [{"cause": "SOFT-14 serial_opened_before SN001", "reason": "label-misread"}]
    ]


def test_a_lot_left_out_is_named_and_can_be_entered_at_close_out(seen: Played):
    """[GT17] The remark says where; what was typed goes to the coil and its package."""
    assert "No lot recorded: Coil lot. At Close-out scan it" in seen.said["missing"]
    assert {"lot": "L-0522-C"} in [one["device"] for one in seen.coils]
    assert {"lot": "L-0522-C"} in [one["device"] for one in seen.packages]


def test_the_screens_of_scanning_can_be_pressed_with_gloves(seen: Played):
    """[UX-02] [UX-08]"""
    for stop, faults in seen.faults.items():
        # What is typed is typed into a field, and only there.
        fields = [] if stop.startswith("typed") else faults.fields
        assert faults.targets + faults.edges + fields + faults.contrast == [], stop
    assert len(seen.faults) == 9


def test_nothing_went_wrong_on_the_page(seen: Played):
    assert seen.problems == []
