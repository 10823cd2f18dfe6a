"""Languages: a choice kept on the device, and places that hold longer ones and right-to-left.

Plays the built app. In the pseudo-language every sentence of the catalogue has accents, is 40 %
longer and stands in brackets: what shows without brackets comes from no catalogue (UX-21, HAZ-50).
"""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
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
    r"\b(mm|mL|mg|kg|cm|min|h|s|g|G|L|dL|µmol|umol|mmol|d|mmHg|MB)\b",
    r"\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b",  # by CLDR, along an axis
    r"\b(English|Deutsch|Español)\b",  # each language in itself
    r"\b[a-z_]+/[a-z0-9_-]+\b|\bv\d+\b",  # a rule file and its version
    r"\b[A-Z]+/[A-Z]+ \d{4}\b",  # a profile of holds, by its societies
    r"\bVarix [A-Z]\b",  # the label a target was given
    r"^\s*[ABC]\s*$",  # a Child-Pugh class
    r"\b(GOV|IGV)\d\b|\bratio\b",  # classes by name, the unit of INR
    r"\b(Page|Arrow)(Up|Down|Left|Right)\b|\b(Enter|Space)\b",  # keys, as browsers name them
    r"\b[0-9a-f]{12}\b",  # a build, by its hash
    r"\[EN\] ?",  # the mark of what is English in every language: rule files, engines, the unit
]
# What scenarios, rule files and the plan of visits say is shown as it stands.
STORY_KEYS = frozenset(
    {
        "family_name",
        "given_name",
        "name",
        "local_id",
        "phone_note",
        "address",
        "id",
        "place",
        "because",
        "lay_out_lines",
    }
)
RULE_KEYS = frozenset({"because", "cohort", "source", "text", "why"})
VISIT_KEYS = RULE_KEYS | {"label"}
# Sentences of the engines: byte-equal in both, and English so far.
ENGINES = (
    "Published series differ threefold at one year:",
    "ranges of groups, not the risk of this patient.",
    "Did not come twice: a clinician decides.",
)
# What still says words of its own, and why. One that says nothing any more turns the test red.
NOT_YET = {
    "strong.number": "the id of this device",
    "[data-own-name] .number": "the same beside its name",
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
    // What lies outside the view box of a drawing is not drawn.
    const svg = node.closest('svg');
    const frame = (svg ?? button ?? holder).getBoundingClientRect();
    const isBoth = svg || button;
    const outside = drawn.some((box) =>
      box.left < frame.left - 1 || box.right > frame.right + 1 ||
      (isBoth && (box.top < frame.top - 1 || box.bottom > frame.bottom + 1)));
    const isSpoken = node.closest('.hidden-visually') !== null;
    const offScreen = drawn.some((box) => box.left < -1 || box.right > innerWidth + 1);
    let cut = false;
    for (let up = node; up && up !== root.parentElement; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (/hidden|clip/.test(style.overflowX) || style.textOverflow === 'ellipsis') {
        cut ||= up.scrollWidth > up.clientWidth + 1 || up.scrollHeight > up.clientHeight + 1;
      }
    }
    found.push({
      text, outside: outside && !isSpoken, offScreen, cut: cut && !isSpoken,
      inMain: node.closest('main, [data-training-mark], [aria-modal]') !== null,
      notYet: notYet.filter((one) => node.closest(one)),
    });
  }
  // What is told to who does not see the screen: drawings, groups, lists.
  for (const node of root.querySelectorAll('[aria-label]')) {
    if (!seen(node)) continue;
    found.push({
      text: node.getAttribute('aria-label'), outside: false, offScreen: false, cut: false,
      inMain: node.closest('main, [aria-modal]') !== null,
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


# Amounts that are drawn with their unit before their digits.
_UNITS_FIRST = r"""() => {
          const walker = document.createTreeWalker(
            document.querySelector('main'), NodeFilter.SHOW_TEXT);
          const [amounts, turned] = [[], []];
          while (walker.nextNode()) {
            const text = walker.currentNode.textContent;
            for (const found of text.matchAll(/(\d)[\d.]* (mm|mL|min|s)\b/g)) {
              const range = document.createRange();
              const leftOf = (from) => {
                range.setStart(walker.currentNode, from);
                range.setEnd(walker.currentNode, from + 1);
                return range.getBoundingClientRect();
              };
              const digit = leftOf(found.index);
              const unit = leftOf(found.index + found[0].length - found[2].length);
              amounts.push(found[0]);
              // Where the line breaks between them there is no order to see.
              if (digit.width > 0 && digit.top === unit.top && digit.left > unit.left) {
                turned.push(`${found[0]} in ${text}`);
              }
            }
          }
          return { amounts, turned };
        }"""


@dataclass
class Reader:
    """One device on a unit with cases, and how to look at its places."""

    server: ServedBuild
    device: Device
    page: Page
    data: tuple[str, ...]
    walked: dict[tuple[str, str], dict[str, dict[str, Any]]] = field(default_factory=dict)

    def look_at_sizes(self, place: str, language: str) -> dict[str, dict[str, Any]]:
        """Return what a place shows at each size; gone to once, whichever test asks."""
        if (place, language) not in self.walked:
            self.look(place, language)
            self.walked[place, language] = {}
            for size, (width, height) in SIZES.items():
                self.page.set_viewport_size({"width": width, "height": height})
                self.walked[place, language][size] = self.read()
        return self.walked[place, language]

    def look(self, place: str, language: str) -> None:
        """Open a place in a pseudo-language and wait until it is drawn."""
        address, *presses = PLACES[place]
        self.page.goto("about:blank")
        self.page.goto(f"{self.server.address}/?speak={language}#{address}")
        case.come_back(self.page)
        expect(self.page.locator("html")).to_have_attribute("lang", language)
        # While the machine is busy a place takes longer to come than the usual wait.
        expect(self.page.locator("main").get_by_text(OPENS).first).to_be_visible(timeout=30_000)
        drawn = self.page.locator("main :is(h1, h2, [data-identity])").first
        expect(drawn).to_be_visible(timeout=30_000)
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
            rest = re.sub(filled(one), "", rest) if "{" in one else rest.replace(one, "")
        for pattern in DATA:
            rest = re.sub(pattern, "", rest)
        return rest.strip() if re.search(r"[^\W\d_]", rest) else ""


def filled(sentence: str) -> str:
    """Return the pattern of a sentence of a rule file once its places are filled in."""
    literal = re.sub(r"\{\w+\}", "", sentence)
    assert len(literal) > 12, f"{sentence!r} would match whatever is said"
    return re.sub(r"\\\{\w+\\\}", ".+?", re.escape(sentence))


def shown_words(part: Any, keys: frozenset[str], key: str = "") -> Iterator[str]:
    """Yield the texts of a scenario or rule file that are shown as they stand."""
    if isinstance(part, dict):
        for name, inner in part.items():
            yield from shown_words(inner, keys, name)
    elif isinstance(part, list):
        for inner in part:
            yield from shown_words(inner, keys, key)
    elif isinstance(part, str) and key in keys and len(part) > 2:
        whole = part.rstrip(".")
        yield from {whole, whole[0].upper() + whole[1:]}


STORIES = (
    "00_unit",
    "02_secondary_prophylaxis",
    "04_varix_beyond_the_largest_coil",
    "08_lost_after_no_shows",
)


def live_story(folder: Path) -> Path:
    """Write the story of a case with oil in its adhesive, up to its second aliquot; return it."""
    story = json.loads((ROOT / "seed_scenarios/07_n_butyl_with_oil.json").read_text("utf-8"))
    timeline = story["timeline"]
    end = next(place for place, act in enumerate(timeline) if act.get("record") == SECOND_INJECTION)
    exchange = {"at": timeline[end]["at"], "exchange": ["tablet-a", "unit"]}
    story |= {"timeline": [*timeline[:end], exchange], "ends_with": {}}
    written = folder / "live_case.json"
    written.write_text(json.dumps(story), encoding="utf-8")
    return written


def doubtful_story(folder: Path) -> Path:
    """Write the story of the emergency with a coil tapped twice and two phone numbers."""
    story = json.loads((ROOT / "seed_scenarios/03_acute_bleed_at_night.json").read_text("utf-8"))
    timeline = story["timeline"]
    coil = next(
        place for place, act in enumerate(timeline) if act.get("record") == "coil_placed/" + COIL
    )
    again = timeline[coil] | {"record": f"coil_placed/{COIL}again"}
    desk = {"device": "desk-clinic", "by": "staff/cass-underhay", "set": {"phone": "01632 960556"}}
    ends = [
        {"at": "2026-03-16T07:52:30+00:00", "exchange": ["desk-clinic", "unit"]},
        timeline[-3] | {"at": "2026-03-16T07:53:00+00:00", "set": {"phone": "01632 960557"}},
        desk | {"at": "2026-03-16T07:54:00+00:00", "record": timeline[-3]["record"]},
        {"at": "2026-03-16T07:55:00+00:00", "exchange": ["tablet-a", "unit"]},
        {"at": "2026-03-16T07:56:00+00:00", "exchange": ["desk-clinic", "unit"]},
    ]
    story["timeline"] = [*timeline[: coil + 1], again, *timeline[coil + 1 :], *ends]
    story["devices"] = [*story["devices"], {"id": "desk-clinic", "role": "booking"}]
    phones = {"field": "phone", "values": ["01632 960557", "01632 960556"]}
    story["ends_with"] = {"conflicts": [{"record": "patient/emergency-0214"} | phones]}
    written = folder / "doubtful_case.json"
    written.write_text(json.dumps(story), encoding="utf-8")
    return written


COIL = "emergency0214030"
SECOND_INJECTION = "step_event/oxbarrow1039"


@pytest.fixture(scope="module")
def reader(
    tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright
) -> Iterator[Reader]:
    folder = tmp_path_factory.mktemp("languages")
    server = ServedBuild(folder)
    told = set(ENGINES)
    played = [*(ROOT / f"seed_scenarios/{name}.json" for name in STORIES), live_story(folder)]
    for story in (*played, doubtful_story(folder)):
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
    case.wait_until_all_has_come(page)
    case.go(page, "Clinic")
    expect(page.locator("[data-visit]").first).to_be_visible()
    yield Reader(server, device, page, tuple(sorted(told, key=len, reverse=True)))
    device.kill()
    server.stop()


CLOSE_OUT, DOUBT = "/case/emergency-0214/close-out", ".answers button >> nth=0"
WORKUP, PARTS = "/case/greyfen-1/workup", "main .workup > nav button >> nth="
VISIT, VIEWS = "[data-visit] button >> nth=0", ".clinic-views button >> nth="
PLAN, ADD_COIL = "/case/thornberry-1/plan", "main .plan .whole:last-child button >> nth=-1"
LIVE, EVER, STEP = "/case/oxbarrow-1/procedure", ".ever button >> nth=", ".steps button >> nth="
# Address of each place, and what is pressed there before it is looked at.
PLACES: dict[str, tuple[str, ...]] = {
    "welcome": ("join=AAAA-BBBB",),
    "about": ("/about",),
    "clinic": ("/clinic",),
    "clinic, one visit": ("/clinic", VISIT),
    "clinic, sessions": ("/clinic", VISIT, ".desk .acts button >> nth=0"),
    "clinic, week": ("/clinic", VIEWS + "1"),
    "clinic, proposals": ("/clinic", VIEWS + "2"),
    "clinic, charts": ("/clinic", VIEWS + "3"),
    "patient": ("/patient/tobias-greyfen",),
    "workup, history": (WORKUP,),
    "workup, liver": (WORKUP, PARTS + "1"),
    "workup, drugs": (WORKUP, PARTS + "2"),
    "workup, agreements": (WORKUP, PARTS + "3"),
    "number pad": (WORKUP, PARTS + "1", "main button:has(.content.number) >> nth=0"),
    "who taps": ("/clinic", "[data-status=who-taps]"),
    "surveillance": ("/case/greyfen-1/surveillance",),
    "cases": ("/cases",),
    "cases, closed ones": ("/cases", ".lists section:last-child button >> nth=-1"),
    "cases, emergency start": ("/cases", ".presses button >> nth=1"),
    "new case": ("/cases", ".presses button >> nth=0"),
    "stock": ("/stock",),
    "stock, one item": ("/stock", "[data-stock] >> nth=0"),
    "implants": ("/implants",),
    "implants, more": ("/implants", "[data-search] > .presses button >> nth=-1"),
    "decisions": ("/decisions",),
    "decisions, one of two": ("/decisions", f"main section:first-child {DOUBT}"),
    "decisions, which answer": ("/decisions", f"main section:last-child {DOUBT}"),
    "close-out": ("/case/greyfen-1/close-out",),
    "close-out, still open": (CLOSE_OUT,),
    "close-out, an event": (CLOSE_OUT, "[data-event-facts] button >> nth=-1"),
    "pictures, a new one": (CLOSE_OUT, ".pictures button >> nth=-1"),
    "plan in use": ("/case/greyfen-1/plan",),
    "plan, walls": (PLAN, "[data-target] .numbers:last-child button >> nth=0"),
    "plan, a coil": (PLAN, ADD_COIL),
    "procedure, start": ("/case/thornberry-1/procedure",),
    "procedure, injection": (LIVE,),
    "procedure, skip": (LIVE, ".now .row button >> nth=-1"),
    "procedure, other step": (LIVE, EVER + "0"),
    "procedure, event": (LIVE, EVER + "1"),
    "procedure, drawing": (LIVE, EVER + "2"),
    "procedure, time out": (LIVE, EVER + "0", STEP + "17"),
    "procedure, stop": (LIVE, EVER + "0", STEP + "20"),
    "procedure, blood return": (LIVE, EVER + "0", STEP + "22"),
    "procedure, package": (LIVE, EVER + "0", STEP + "23"),
    "procedure, coil": (LIVE, EVER + "0", STEP + "24"),
    "procedure, flush": (LIVE, EVER + "0", STEP + "29"),
    "procedure, wiping": (LIVE, ".foot button >> nth=0"),
    "this tablet": ("/tablet",),
    "this tablet, a key": ("/tablet", "main:has([data-pedal]) .row button >> nth=0"),
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
        for size, read in reader.look_at_sizes(name, language).items():
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
        for one in reader.look_at_sizes(name, "en-XA")["tall"]["found"]:
            rest = reader.untranslated(one["text"])
            if rest == "" or not one["inMain"]:
                continue
            if one["notYet"]:
                still.update(one["notYet"])
            else:
                said.setdefault(name, []).append(rest)
    assert said == {}
    assert still == set(NOT_YET), "a place that says nothing of its own any more leaves NOT_YET"


@pytest.mark.parametrize("language", ["en-XA", "ar-XB"])
def test_the_running_time_is_whole_and_in_the_catalogue(reader: Reader, language: str):
    """[UX-21] [HAZ-18] An injection while its time runs, and the drawing over it.

    It found "s 2" for two seconds, from right to left.
    """
    reader.look("procedure, injection", language)
    page = reader.page
    # It runs on through the next language; a second press would record.
    if page.locator("[data-timer]").count() == 0:
        case.primary(page).click()
    expect(page.locator("[data-timer]")).to_be_visible()
    for width, height in SIZES.values():
        page.set_viewport_size({"width": width, "height": height})
        read = reader.read()
        rests = [reader.untranslated(one["text"]) for one in read["found"] if one["inMain"]]
        assert [rest for rest in rests if rest] == []
        assert boxes_broken(read) == []
        assert page.evaluate(_UNITS_FIRST)["turned"] == []
    page.locator(EVER + "2").click()
    expect(page.locator("[data-timer-over]")).to_be_visible()
    assert boxes_broken(reader.read()) == []
    assert page.evaluate(_UNITS_FIRST)["turned"] == []


def test_a_planted_sentence_and_a_planted_narrow_button_are_seen(reader: Reader):
    """[UX-21] The two checks above are not blind."""
    page = reader.page
    reader.look("clinic", "en-XA")
    assert boxes_broken(reader.read()) == []
    page.evaluate(
        """() => {
          const main = document.querySelector('main');
          const words = document.createElement('p');
          words.textContent = 'Call them';
          const drawing = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
          drawing.setAttribute('aria-label', 'Coil told');
          main.append(words, drawing);
          const button = main.querySelector('button');
          Object.assign(button.style, { width: '30px', minWidth: '0', whiteSpace: 'nowrap' });
        }"""
    )
    read = reader.read()
    rests = [reader.untranslated(one["text"]) for one in read["found"] if one["inMain"]]
    assert {"Call them", "Coil told"} <= set(rests)
    assert boxes_broken(read) != []


def test_values_keep_their_order_from_right_to_left(reader: Reader):
    """[HAZ-50] A phone number is drawn from its first digit to its last, as it is dialled."""
    reader.look("clinic", "ar-XB")
    # The heading stands before the list is read.
    expect(reader.page.locator("[data-visit]").first).to_be_visible()
    drawn = reader.page.evaluate(_ENDS_OF_NUMBERS)
    assert len(drawn) >= 3
    assert all(first < last for first, last in drawn)

    # Planted: the same numbers, set apart no more.
    reader.page.evaluate(
        """() => document.querySelectorAll('bdi').forEach(
          (one) => one.replaceWith(one.textContent))"""
    )
    assert any(first > last for first, last in reader.page.evaluate(_ENDS_OF_NUMBERS))


@pytest.mark.parametrize(
    "place", ["plan in use", "procedure, injection", "procedure, stop", "procedure, drawing"]
)
def test_an_amount_keeps_its_unit_behind_it_from_right_to_left(reader: Reader, place: str):
    """[HAZ-50] [HAZ-04] "0.5 mL", never "mL 0.5". It found flush, stop and axes turned round."""
    reader.look(place, "ar-XB")
    drawn = reader.page.evaluate(_UNITS_FIRST)
    assert len(drawn["amounts"]) >= 3
    assert drawn["turned"] == []

    # Planted: one amount that nothing sets apart.
    reader.page.evaluate(
        """() => {
          const amount = document.createElement('p');
          amount.textContent = '0.5 mL';
          document.querySelector('main :is(h1, h2)').after(amount);
        }"""
    )
    assert len(reader.page.evaluate(_UNITS_FIRST)["turned"]) == 1


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


def test_a_unit_out_of_reach_is_told_once_on_decisions(reader: Reader):
    """What only the unit knows is listed behind one reason, and gone once it answers.

    It found a screen that told nothing at all: what noted the reasons ran for ever.
    """
    page = reader.page
    page.goto("about:blank")
    page.goto(f"{reader.server.address}/#/decisions")
    case.come_back(page)
    agree = page.get_by_text("Second check:")
    expect(agree).to_be_visible()
    told = page.get_by_text("The unit cannot be reached.")
    expect(told).to_have_count(0)
    page.context.set_offline(True)
    page.evaluate("location.hash = '#/cases'")
    expect(page.locator("[data-case]").first).to_be_visible()
    page.evaluate("location.hash = '#/decisions'")
    expect(told).to_contain_text("Not known now: what it set aside; who lacks a next act;")
    expect(told).to_have_count(1)
    page.context.set_offline(False)
    case.go(page, "Cases")
    case.go(page, "Decisions")
    expect(agree).to_be_visible()
    expect(told).to_have_count(0)


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
