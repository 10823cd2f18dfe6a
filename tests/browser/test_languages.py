"""Languages: a choice kept on the device, and places that hold longer ones and right-to-left.

Plays the built app. In the pseudo-language every sentence of the catalogue has accents, is 40 %
longer and stands in brackets: what shows without brackets comes from no catalogue (UX-21, HAZ-50).
"""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import ROOT

pytestmark = pytest.mark.browser

OPENS, CLOSES = "⟦", "⟧"

# What is no sentence and stays as it is in every language.
DATA = [
    r"\b(mm|mL|mg|kg|cm|min|h|s|g|L|dL|µmol|umol|mmol|d|mmHg)\b",
    r"\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b",  # by CLDR, along an axis
    r"\b(English|Deutsch|Español)\b",  # each language in itself
    r"\b[a-z_]+/[a-z0-9_-]+\b|\bv\d+\b",  # a rule file and its version
    r"\b[a-z]+-[a-z]+-\d{4}\b",  # a profile of holds
    r"\b(GOV|IGV)\d\b|\bratio\b",  # classes by name, the unit of INR
]
# What scenarios, rule files and the plan of visits say is shown as it stands.
STORY_KEYS = frozenset(
    {"family_name", "given_name", "name", "local_id", "phone_note", "id", "place"}
)
RULE_KEYS = frozenset({"because", "cohort", "source", "text", "why"})
VISIT_KEYS = RULE_KEYS | {"label"}
# Sentences of the engines: byte-equal in both, and English so far.
ENGINES = (
    "Published series differ threefold at one year:",
    "ranges of groups, not the risk of this patient.",
    "Did not come twice: a clinician decides.",
)
# Places that still say sentences of their own, and whose they are. Each leaves this list with its
# module; one that says nothing any more turns the test red.
NOT_YET = {
    "[data-rule-file]": "state/unit-rules.ts: how a rule file stands",
    "p.line": "state/identity.ts: the line that names a patient",
    "ol p.number, ol p.small": "text/decisions.ts: fields of the history",
    "dl dd": "text/decisions.ts: values of the record",
    "section:has(> p.quiet + button)": "text/pictures.ts",
    "strong.number": "the id of this device",
}

_READ = r"""
(notYet) => {
  const root = document.body;
  const seen = (node) =>
    node.checkVisibility({ opacityProperty: true, visibilityProperty: true });
  const found = [];
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent;
    const node = walker.currentNode.parentElement;
    if (text.trim() === '' || !seen(node)) continue;
    const range = document.createRange();
    range.selectNodeContents(walker.currentNode);
    const drawn = [...range.getClientRects()].filter((box) => box.width > 0.5);
    if (drawn.length === 0) continue;
    // The nearest box that the text has to stay in: a button, else a block.
    let holder = node;
    while (holder !== root && !/^(block|flex|grid|list-item|inline-block|inline-flex)$/.test(
      getComputedStyle(holder).display)) holder = holder.parentElement;
    const button = node.closest('button');
    const around = (button ?? holder).getBoundingClientRect();
    const outside = drawn.some((box) =>
      box.left < around.left - 1 || box.right > around.right + 1 ||
      (button && (box.top < around.top - 1 || box.bottom > around.bottom + 1)));
    const offScreen = drawn.some((box) => box.left < -1 || box.right > innerWidth + 1);
    let cut = false;
    for (let up = node; up && up !== root.parentElement; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (/hidden|clip/.test(style.overflowX) || style.textOverflow === 'ellipsis') {
        cut ||= up.scrollWidth > up.clientWidth + 1 || up.scrollHeight > up.clientHeight + 1;
      }
    }
    found.push({
      text, outside: outside && !node.closest('svg, .hidden-visually'), offScreen, cut,
      inMain: node.closest('main, [data-training-mark], [aria-modal]') !== null,
      notYet: notYet.filter((one) => node.closest(one)),
    });
  }
  const page = document.documentElement;
  const sideways = [page, ...document.querySelectorAll('main, main *')]
    .filter((node) => node.scrollWidth > node.clientWidth + 1 && node.clientWidth > 0)
    .filter((node) => node === page || /auto|scroll/.test(getComputedStyle(node).overflowX))
    .map((node) => `${node.tagName}.${node.className}`);
  return { found, sideways, dir: page.dir, lang: page.lang };
}
"""


# Where the first and the last digit of each phone number is drawn.
_ENDS_OF_NUMBERS = r"""() => {
          const walker = document.createTreeWalker(
            document.querySelector('main'), NodeFilter.SHOW_TEXT);
          const ends = [];
          while (walker.nextNode()) {
            const found = /\d{5} \d{6}/.exec(walker.currentNode.textContent);
            if (!found) continue;
            const range = document.createRange();
            const box = (from) => {
              range.setStart(walker.currentNode, from);
              range.setEnd(walker.currentNode, from + 1);
              return range.getBoundingClientRect().left;
            };
            ends.push([box(found.index), box(found.index + 11)]);
          }
          return ends;
        }"""


@dataclass
class Reader:
    """One device on a unit with cases, and how to look at its places."""

    server: ServedBuild
    device: Device
    page: Page
    data: tuple[str, ...]

    def look(self, place: str, language: str) -> None:
        """Open a place in a pseudo-language and wait until it is drawn."""
        address, *presses = PLACES[place]
        self.page.goto("about:blank")
        self.page.goto(f"{self.server.address}/?speak={language}#{address}")
        expect(self.page.locator("html")).to_have_attribute("lang", language)
        expect(self.page.locator("main").get_by_text(OPENS).first).to_be_visible()
        expect(self.page.locator("main h2").first).to_be_visible()
        for press in presses:
            self.page.locator(press).click()

    def read(self) -> dict[str, Any]:
        return self.page.evaluate(_READ, list(NOT_YET))  # type: ignore[no-any-return]

    def untranslated(self, text: str) -> str:
        """Return what of a text stands outside of brackets and is no data."""
        outside, depth = [], 0
        for letter in text:
            if letter in OPENS + CLOSES:
                depth += 1 if letter == OPENS else -1
            elif depth == 0:
                outside.append(letter)
        rest = "".join(outside)
        for one in self.data:
            rest = rest.replace(one, "")
        for pattern in DATA:
            rest = re.sub(pattern, "", rest)
        return rest.strip() if re.search(r"[^\W\d_]", rest) else ""


def shown_words(part: Any, keys: frozenset[str], key: str = "") -> Iterator[str]:
    """Yield the texts of a scenario or rule file that are shown as they stand."""
    if isinstance(part, dict):
        for name, inner in part.items():
            yield from shown_words(inner, keys, name)
    elif isinstance(part, list):
        for inner in part:
            yield from shown_words(inner, keys, key)
    elif isinstance(part, str) and key in keys and len(part) > 2:
        yield part.rstrip(".")


@pytest.fixture(scope="module")
def reader(
    tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright
) -> Iterator[Reader]:
    folder = tmp_path_factory.mktemp("languages")
    server = ServedBuild(folder)
    told = set(ENGINES)
    for name in ("00_unit", "02_secondary_prophylaxis", "08_lost_after_no_shows"):
        story = ROOT / f"seed_scenarios/{name}.json"
        server.crura("load-scenario", str(story), "--as-if-today", "today")
        told.update(shown_words(json.loads(story.read_text(encoding="utf-8")), STORY_KEYS))
    for file in (ROOT / "api/clinical_rules/data").rglob("*.v*.json"):
        keys = VISIT_KEYS if file.parent.name == "follow_up" else RULE_KEYS
        told.update(shown_words(json.loads(file.read_text(encoding="utf-8")), keys))
    server.start()
    (folder / "profile").mkdir()
    device = Device(playwright_driver, folder / "profile", "tall")
    page = device.start(server.invite("bedside"))
    case.join(page)
    case.choose_who_taps(page, "Otis")
    case.wait_until_sent(page)
    case.go(page, "Clinic")
    expect(page.locator("[data-visit]").first).to_be_visible()
    yield Reader(server, device, page, tuple(sorted(told, key=len, reverse=True)))
    device.kill()
    server.stop()


WORKUP, PARTS = "/case/greyfen-1/workup", "main .workup > nav button >> nth="
VISIT = "[data-visit] button >> nth=0"
# Address of each place, and what is pressed there before it is looked at.
PLACES: dict[str, tuple[str, ...]] = {
    "welcome": ("join=AAAA-BBBB",),
    "about": ("/about",),
    "clinic": ("/clinic",),
    "clinic, one visit": ("/clinic", VISIT),
    "clinic, sessions": ("/clinic", VISIT, ".desk .acts button >> nth=0"),
    "patient": ("/patient/tobias-greyfen",),
    "workup, history": (WORKUP,),
    "workup, liver": (WORKUP, PARTS + "1"),
    "workup, drugs": (WORKUP, PARTS + "2"),
    "workup, agreements": (WORKUP, PARTS + "3"),
    "number pad": (WORKUP, PARTS + "1", "main button:has(.content.number) >> nth=0"),
    "who taps": ("/clinic", "[data-status=who-taps]"),
    "surveillance": ("/case/greyfen-1/surveillance",),
}


def boxes_broken(read: dict[str, Any]) -> list[str]:
    return [
        f"{one['text']!r}: outside {one['outside']}, off {one['offScreen']}, cut {one['cut']}"
        for one in read["found"]
        if one["outside"] or one["offScreen"] or one["cut"]
    ] + read["sideways"]


@pytest.mark.parametrize(("language", "direction"), [("en-XA", "ltr"), ("ar-XB", "rtl")])
def test_longer_words_are_never_cut_and_never_scroll_sideways(
    reader: Reader, language: str, direction: str
):
    """[UX-21] 40 % longer, and from right to left, at the three sizes.

    It found the date on Surveillance drawn over the next panel, the edge line of a training unit
    in two columns over the buttons, and a phone number with its halves changed about.
    """
    broken: dict[str, list[str]] = {}
    for name in PLACES:
        reader.look(name, language)
        for size, (width, height) in SIZES.items():
            reader.page.set_viewport_size({"width": width, "height": height})
            read = reader.read()
            assert read["dir"] == direction
            assert len(read["found"]) > 10
            if faults := boxes_broken(read):
                broken[f"{name}, {size}"] = faults
    assert broken == {}


def test_nothing_is_said_that_is_not_in_the_catalogue(reader: Reader):
    """[UX-21] [HAZ-50] Every letter of the converted places is in brackets, or data."""
    said: dict[str, list[str]] = {}
    still: set[str] = set()
    for name in PLACES:
        reader.look(name, "en-XA")
        for one in reader.read()["found"]:
            rest = reader.untranslated(one["text"])
            if rest == "" or not one["inMain"]:
                continue
            if one["notYet"]:
                still.update(one["notYet"])
            else:
                said.setdefault(name, []).append(rest)
    assert said == {}
    assert still == set(NOT_YET), "a place that says nothing of its own any more leaves NOT_YET"


def test_a_planted_sentence_and_a_planted_narrow_button_are_seen(reader: Reader):
    """[UX-21] The two checks above are not blind."""
    page = reader.page
    reader.look("clinic", "en-XA")
    assert boxes_broken(reader.read()) == []
    page.evaluate(
        """() => {
          const main = document.querySelector('main');
          main.insertAdjacentHTML('beforeend', '<p>Call them</p>');
          const button = main.querySelector('button');
          Object.assign(button.style, { width: '30px', minWidth: '0', whiteSpace: 'nowrap' });
        }"""
    )
    read = reader.read()
    rests = [reader.untranslated(one["text"]) for one in read["found"] if one["inMain"]]
    assert "Call them" in rests
    assert boxes_broken(read) != []


def test_values_keep_their_order_from_right_to_left(reader: Reader):
    """[HAZ-50] A phone number is drawn from its first digit to its last, as it is dialled."""
    reader.look("clinic", "ar-XB")
    drawn = reader.page.evaluate(_ENDS_OF_NUMBERS)
    assert len(drawn) >= 3
    assert all(first < last for first, last in drawn)

    # Planted: the same numbers, set apart no more.
    reader.page.evaluate(
        """() => document.querySelectorAll('bdi').forEach(
          (one) => one.parentElement.replaceChildren(one.textContent))"""
    )
    assert any(first > last for first, last in reader.page.evaluate(_ENDS_OF_NUMBERS))


def test_the_keys_of_the_pad_never_change_sides(reader: Reader):
    """[HAZ-50] 7, 8, 9 from left to right in every language. It found them as 9, 8, 7."""
    for language in ("en-XA", "ar-XB"):
        reader.look("number pad", language)
        pad = reader.page.locator("[data-number-pad]")

        def left_of(part: Locator) -> float:
            box = part.bounding_box()
            assert box is not None
            return box["x"]

        keys = [pad.get_by_role("button", name=key, exact=True) for key in "789"]
        lefts = [left_of(key) for key in keys]
        assert lefts[0] < lefts[1] < lefts[2]
        keys[0].click()
        expect(pad.locator(".digits")).to_have_text(re.compile(r"^\s*7"))
        assert left_of(pad.locator(".unit")) > left_of(pad.locator(".digits"))


def test_a_language_is_chosen_on_welcome_kept_and_marked_where_it_is_not_reviewed(
    tmp_path: Path, new_device: Callable[..., Device]
):
    """[HAZ-50] Drawn at once; English with a mark where it concerns safety; kept at a restart."""
    server = ServedBuild(tmp_path / "unit-of-languages")
    server.start()
    try:
        device = new_device("languages")
        page = device.start(server.address)
        case.press(page, "Deutsch")
        expect(page.get_by_role("button", name="Allein auf diesem Gerät arbeiten")).to_be_visible()
        expect(page.locator("html")).to_have_attribute("lang", "de")
        expect(page.get_by_text("[EN] It is not a certified medical device.")).to_be_visible()
        expect(page.get_by_text("niemand hat diese Übersetzung geprüft")).to_be_visible()

        page.reload()
        expect(page.get_by_role("button", name="Allein auf diesem Gerät arbeiten")).to_be_visible()
        case.press(page, "Español")
        expect(page.get_by_text("¿Aún sin unidad?")).to_be_visible()
        case.press(page, "English")
        expect(page.get_by_role("heading", name="No unit yet?")).to_be_visible()
        assert "[EN]" not in page.locator("main").inner_text()
        # The content security policy lets everything through that a language needs.
        assert device.problems == []
    finally:
        server.stop()
