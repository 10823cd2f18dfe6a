"""The drawing of a target as Chromium draws it: scale, words, live redraw, room, media.

Plays one case on the built app. Rules DR; each check is shown to fail once on a planted fault in
the same run where a fault can be planted in the page.
"""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Playwright, expect

from tests.browser import played_case as case
from tests.browser.chromium import SIZES, Device
from tests.browser.measures import find_faults, read_screen
from tests.browser.unit_server import ROOT, UnitServer

pytestmark = pytest.mark.browser

_READ = r"""
(figure) => {
  const svg = figure.querySelector('svg[role=img]');
  const frame = svg.getBoundingClientRect();
  const box = (node) => {
    const { left, top, right, bottom, width, height } = node.getBoundingClientRect();
    return { left, top, right, bottom, width, height };
  };
  const light = (text) => {
    const part = (byte) => {
      const share = byte / 255;
      return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
    };
    const [r, g, b] = text.match(/[\d.]+/g).map(Number).map(part);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  let ground = figure;
  while (/^rgba\(.* 0\)$/.test(getComputedStyle(ground).backgroundColor)) {
    ground = ground.parentElement;
  }
  const under = light(getComputedStyle(ground).backgroundColor);
  const ratioOf = (colour) => {
    const over = light(colour);
    return (Math.max(over, under) + 0.05) / (Math.min(over, under) + 0.05);
  };
  const drawn = [...svg.querySelectorAll(':scope > :not(defs)')];
  const texts = drawn.filter((node) => node.tagName === 'text').map((node) => ({
    text: node.textContent,
    fontPx: Number(node.getAttribute('font-size')) * svg.getScreenCTM().a,
    contrast: ratioOf(getComputedStyle(node).fill),
    ...box(node),
  }));
  const shapes = drawn.filter((node) => node.tagName !== 'text').map((node) => ({
    look: node.getAttribute('class').replace(/\bs(velte)?-\S+/g, '').trim(),
    contrast: getComputedStyle(node).stroke === 'none'
      ? null : ratioOf(getComputedStyle(node).stroke),
    ...box(node),
  }));
  return { frame: box(svg), says: svg.getAttribute('aria-label'), texts, shapes };
}
"""


def read_drawing(figure: Locator) -> dict[str, Any]:
    """Return what one drawing shows, in px on the screen."""
    return figure.evaluate(_READ)  # type: ignore[no-any-return]


def shapes_of(read: dict[str, Any], look: str) -> list[dict[str, Any]]:
    return [shape for shape in read["shapes"] if shape["look"] == look]


def scale_faults(read: dict[str, Any], *, short_mm: float, long_mm: float) -> list[str]:
    """Say where the varix is not to one scale, or the scale bar to another (DR1)."""
    (varix,) = shapes_of(read, "varix measured")
    (bar,) = shapes_of(read, "measure scale")
    bar_mm = float(read["texts"][-1]["text"].removeprefix("Scale ").removesuffix(" mm"))
    # The box of a shape leaves out its line; layout rounds to parts of a pixel.
    per_mm = {
        "short axis": varix["width"] / short_mm,
        "long axis": varix["height"] / long_mm,
        "scale bar": bar["width"] / bar_mm,
    }
    return [
        f"{one} {per_mm[one]:.2f} px/mm, {other} {per_mm[other]:.2f} px/mm"
        for one, other in combinations(per_mm, 2)
        if abs(per_mm[one] / per_mm[other] - 1) > 0.02
    ]


def text_faults(read: dict[str, Any], *, least_px: float) -> list[str]:
    """Say which texts overlap, leave the drawing, are small, pale or without a unit."""
    found = []
    frame = read["frame"]
    for text in read["texts"]:
        words = text["text"]
        if text["left"] < frame["left"] - 1 or text["right"] > frame["right"] + 1:
            found.append(f"{words!r} leaves the drawing sideways")
        if text["top"] < frame["top"] - 1 or text["bottom"] > frame["bottom"] + 1:
            found.append(f"{words!r} leaves the drawing up or down")
        if text["fontPx"] < least_px:
            found.append(f"{words!r} has {text['fontPx']:.1f} px")
        if text["contrast"] < 7:
            found.append(f"{words!r} has {text['contrast']:.1f}:1")
        if re.search(r"\d", words) and not re.search(r"\d (mm|mL)", words):
            found.append(f"{words!r} has no unit")
    for one, other in combinations(read["texts"], 2):
        across = max(one["left"] - other["right"], other["left"] - one["right"])
        # A box of text is higher than its letters: a quarter of a line may be shared.
        down = max(one["top"] - other["bottom"], other["top"] - one["bottom"])
        if across < 0 and down < -one["height"] / 4:
            found.append(f"{one['text']!r} and {other['text']!r} overlap")
    return found


def shape_faults(read: dict[str, Any]) -> list[str]:
    """Say which lines are paler than 3:1 (UX-03)."""
    return [
        f"{shape['look']} has {shape['contrast']:.1f}:1"
        for shape in read["shapes"]
        if shape["contrast"] is not None and shape["contrast"] < 3
    ]


@dataclass
class Play:
    """What was seen on the way, by place."""

    reads: dict[str, dict[str, Any]] = field(default_factory=dict)
    faults: dict[str, list[str]] = field(default_factory=dict)
    planted: dict[str, list[str]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    tallies: dict[str, str] = field(default_factory=dict)
    captions: dict[str, str] = field(default_factory=dict)
    forced: set[str] = field(default_factory=set)
    printed: str = ""
    moved: list[str] = field(default_factory=list)
    far_seen: set[str] = field(default_factory=set)

    def look(self, page: Page, place: str, *, least_px: float = 16) -> dict[str, Any]:
        """Read the first drawing of the page at every size and in both themes."""
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            for theme in ("night", "day"):
                page.evaluate("name => { document.documentElement.dataset.theme = name }", theme)
                read = read_drawing(page.locator("[data-drawing]").last)
                found = scale_faults(read, short_mm=14, long_mm=22)
                found += text_faults(read, least_px=least_px) + shape_faults(read)
                self.faults[f"{place}, {size}, {theme}"] = found
        page.evaluate("() => { document.documentElement.dataset.theme = 'night' }")
        width, height = SIZES["tall"]
        page.set_viewport_size({"width": width, "height": height})
        self.reads[place] = read_drawing(page.locator("[data-drawing]").last)
        return self.reads[place]


def open_sheet(page: Page) -> None:
    page.get_by_role("button", name="Drawing", exact=True).click()
    expect(page.get_by_role("dialog", name="Drawing")).to_be_visible()


def measure_room(page: Page, play: Play, place: str) -> None:
    """See that the small drawing takes room from nobody: all stands where it stood without it."""
    boxes = """() => [...document.querySelectorAll('[data-primary] button, h1.ask, .now button')]
      .map((node) => [node.innerText, getComputedStyle(node).fontSize,
        ...Object.values(node.getBoundingClientRect().toJSON())].join(' '))"""
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        # What measures itself is drawn anew in the frame after the first.
        page.evaluate(
            "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )
        figure = page.locator(".now [data-drawing]")
        if figure.count() == 1 and figure.is_visible():
            play.far_seen.add(f"{place}, {size}")
            read = read_drawing(figure)
            found = text_faults(read, least_px=20) + shape_faults(read)
            play.faults[f"{place} far, {size}"] = found
        before = page.evaluate(boxes)
        page.evaluate("() => { document.querySelector('.now > .rest').style.display = 'none' }")
        after = page.evaluate(boxes)
        play.moved += [
            f"{place}, {size}: {was} -> {now}"
            for was, now in zip(before, after, strict=True)
            if was != now
        ]
        page.evaluate("() => { document.querySelector('.now > .rest').style.display = '' }")
        faults = find_faults(read_screen(page), wants_primary=True)
        play.faults[f"{place} targets, {size}"] = faults.targets + faults.edges + faults.contrast
    width, height = SIZES["tall"]
    page.set_viewport_size({"width": width, "height": height})


def look_at_sheet(page: Page, play: Play, place: str) -> None:
    open_sheet(page)
    play.look(page, place)
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        faults = find_faults(read_screen(page), wants_primary=False)
        play.faults[f"{place} sheet, {size}"] = faults.targets + faults.edges + faults.fields
    width, height = SIZES["tall"]
    page.set_viewport_size({"width": width, "height": height})
    case.press(page, "Back to the step")
    expect(page.get_by_role("dialog", name="Drawing")).to_have_count(0)


def play_plan(page: Page, play: Play) -> None:
    case.fill_plan(page)
    play.look(page, "plan in use")
    page.evaluate(
        """() => { document.querySelector('[data-drawing] svg[role=img]')
          .setAttribute('preserveAspectRatio', 'none');
          document.querySelector('[data-drawing] svg[role=img]').style.height = '200px'; }"""
    )
    stretched = read_drawing(page.locator("[data-drawing]").last)
    play.planted["scale"] = scale_faults(stretched, short_mm=14, long_mm=22)
    page.evaluate(
        """() => {
          const [one, other] = document.querySelectorAll('[data-drawing] svg[role=img] text');
          other.setAttribute('y', one.getAttribute('y'));
          other.setAttribute('x', one.getAttribute('x'));
          one.style.fill = '#667';
          one.textContent = 'Long axis 22';
        }"""
    )
    crowded = read_drawing(page.locator("[data-drawing]").last)
    play.planted["texts"] = text_faults(crowded, least_px=16)
    case.go(page, "Workup")
    case.go(page, "Plan")
    page.emulate_media(forced_colors="active")
    play.forced = set(
        page.locator("[data-drawing] svg[role=img]").evaluate(
            """(svg) => {
              const probe = document.createElement('i');
              probe.style.cssText = 'color: CanvasText; forced-color-adjust: none';
              document.body.append(probe);
              const wanted = getComputedStyle(probe).color;
              return [...svg.querySelectorAll(':scope > :not(defs)')].map((node) => {
                const style = getComputedStyle(node);
                const ink = node.tagName === 'text' ? style.fill : style.stroke;
                return ink === wanted || ink === 'none' ? 'CanvasText' : ink;
              });
            }"""
        )
    )
    page.emulate_media(forced_colors="none", media="print")
    play.printed = page.locator("[data-drawing] .on-paper").first.inner_text()
    page.emulate_media(media="screen")
    case.enter_number(page, "Short axis", "16")
    expect(page.get_by_text("Plan out of date").first).to_be_visible()
    play.reads["plan out of date"] = read_drawing(page.locator("[data-drawing]").first)
    case.enter_number(page, "Short axis", "14")
    expect(page.get_by_text("This plan is in use.")).to_be_visible()


def play_surroundings(page: Page, play: Play) -> None:
    """Enter every length there is: walls, crus and feeder, with the plan still in use."""
    case.press(page, "Walls, third axis, feeder, crus")
    for name, mm in (("Near wall", "16"), ("Far wall", "30")):
        case.enter_number(page, name, mm)
    # A plan made before the last number is in it is out of date at once.
    expect(case.button(page, "Far wall")).to_contain_text("30 mm")
    case.press(page, "Plan again")
    time.sleep(1)  # a press within the lock-out of the last one would not count
    case.press(page, "Use this plan")
    expect(page.get_by_text("This plan is in use.")).to_be_visible()
    case.answer(page, "Access route", "Transoesophageal")
    case.answer(page, "Feeder", "Seen")
    case.enter_number(page, "Crus thickness", "6")
    case.enter_number(page, "Feeder diameter", "5")
    expect(page.get_by_text("This plan is in use.")).to_be_visible()
    expect(case.button(page, "Feeder diameter")).to_contain_text("5 mm")
    expect(page.locator("[data-drawing] .feeder")).to_have_count(2)
    play.look(page, "crus and feeder")
    case.enter_number(page, "Crus thickness", "17")
    expect(page.locator("[data-drawing] .crus")).to_have_count(0)
    play.reads["crus too thick"] = read_drawing(page.locator("[data-drawing]").last)
    play.captions["crus too thick"] = page.locator("[data-drawing] figcaption").last.inner_text()
    case.enter_number(page, "Crus thickness", "6")


def play_procedure(page: Page, play: Play) -> None:
    case.go(page, "Procedure")
    case.confirm_identity(page)
    expect(case.primary(page)).to_be_visible()
    case.wait_for_redraw(page, "")
    case.pass_steps(page, "Does blood come back?")
    measure_room(page, play, "blood return")
    case.pass_steps(page, "Has the coil formed")
    measure_room(page, play, "coil")
    case.press(page, "Not formed: discard it")
    case.wait_for_redraw(page, "Has the coil formed?")
    look_at_sheet(page, play, "coil discarded")
    case.pass_steps(page, "Has the coil formed")
    case.primary(page).click()
    case.wait_for_redraw(page, "Has the coil formed?")
    # Steps and coils are read one after the other.
    expect(page.locator("[data-tally=coils]")).to_have_text("1")
    play.tallies["one coil"] = page.locator("[data-tally=coils]").inner_text()
    look_at_sheet(page, play, "one coil")
    page.locator("[data-undo] button").click()
    case.wait_for_redraw(page, "Flushed and patent?")
    expect(page.locator("[data-tally=coils]")).to_have_text("0")
    play.tallies["coil undone"] = page.locator("[data-tally=coils]").inner_text()
    look_at_sheet(page, play, "coil undone")
    case.pass_steps(page, "Inject slowly")
    case.primary(page).click()
    expect(page.get_by_role("timer")).to_be_visible()
    time.sleep(1)
    measure_room(page, play, "injection running")
    case.pass_steps(page, "Push the adhesive out")
    look_at_sheet(page, play, "adhesive in the needle")
    case.pass_steps(page, "All steps passed")
    look_at_sheet(page, play, "all passed")
    play.tallies["all passed"] = page.locator("[data-tally=coils]").inner_text()
    case.primary(page).click()


@pytest.fixture(scope="module")
def play(tmp_path_factory: pytest.TempPathFactory, playwright_driver: Playwright) -> Iterator[Play]:
    folder: Path = tmp_path_factory.mktemp("drawing")
    server = UnitServer(folder / "unit")
    stories = sorted(str(story) for story in (ROOT / "seed_scenarios").glob("0*.json"))
    server.crura("load-scenario", *stories, "--as-if-today", "today")
    server.start()
    (folder / "tablet").mkdir()
    tablet = Device(playwright_driver, folder / "tablet")
    played = Play()
    try:
        page = tablet.start(server.invite("bedside"))
        case.join(page)
        case.choose_who_taps(page, "Otis")
        case.add_patient_and_case(page, "Thistlewood", "Ottilie")
        play_plan(page, played)
        play_surroundings(page, played)
        play_procedure(page, played)
        case.go(page, "Close-out")
        expect(page.locator("[data-drawing]")).to_have_count(2)
        played.reads["close-out planned"] = read_drawing(page.locator("[data-part=planned]"))
        played.look(page, "close-out done")
        played.problems = tablet.problems
        yield played
    finally:
        tablet.kill()
        server.stop()


def test_every_drawing_is_to_one_scale_legible_and_never_overlaps_itself(play: Play):
    """[DR1, DR12, UX-01, UX-03] At three sizes, by night and by day; no problem in the console."""
    assert len(play.faults) > 60
    assert {place: found for place, found in play.faults.items() if found} == {}
    assert play.problems == []


def test_a_stretched_drawing_and_crowded_texts_are_seen(play: Play):
    """[DR1] Planted in the page: no aspect ratio, two labels in one place, one pale, no unit."""
    assert play.planted["scale"]
    assert any("overlap" in fault for fault in play.planted["texts"])
    assert any("no unit" in fault for fault in play.planted["texts"])
    assert any(":1" in fault for fault in play.planted["texts"])


def test_a_drawing_says_the_same_in_words_on_screen_and_on_paper(play: Play):
    """[DR13, UX-18] The name of the picture is its text, and print shows the text."""
    says = play.reads["plan in use"]["says"]

    assert says == (
        "Varix A: short axis 14 mm, long axis 22 mm, measured. From the needle tip: middle 23 mm. "
        "Crus not entered. Feeder not entered. Needle stop 21 mm, planned. "
        "2 coils planned: 18 mm, 18 mm."
    )
    assert " ".join(play.printed.split()) == says


def test_crus_and_feeder_are_to_the_scale_of_the_varix(play: Play):
    """[DR1, DR14, DR15, DR16] 6 mm before the near wall; a vessel of 5 mm, apart; else said."""
    read = play.reads["crus and feeder"]
    (varix,) = shapes_of(read, "varix measured")
    (band,) = shapes_of(read, "crus muscle")
    side, other = shapes_of(read, "feeder vessel")
    per_mm = varix["width"] / 14
    walls = shapes_of(read, "wall wall")

    assert band["width"] / per_mm == pytest.approx(6, rel=0.02)
    assert band["right"] == pytest.approx(min(wall["left"] for wall in walls), abs=1)
    assert (other["top"] - side["top"]) / per_mm == pytest.approx(5, rel=0.02)
    assert side["top"] > varix["bottom"]
    assert "the distances include it" in read["says"]
    assert shapes_of(play.reads["crus too thick"], "crus muscle") == []
    assert "Crus exceeds near wall: measure again." in play.captions["crus too thick"]


def test_planned_shapes_vanish_with_the_plan(play: Play):
    """[DR11, HAZ-02] Another short axis: no planned stop, needle or coil stays on screen."""
    stale = play.reads["plan out of date"]

    assert [one for one in play.reads["plan in use"]["shapes"] if "planned" in one["look"]]
    assert [one for one in stale["shapes"] if "planned" in one["look"]] == []
    assert "short axis 16 mm" in stale["says"]
    assert "planned" not in stale["says"]


def test_coils_drawn_are_the_coils_that_stand(play: Play):
    """[DR6, HAZ-16] Placed, undone, placed again; one discarded lies crossed outside."""
    placed = {place: shapes_of(read, "coil placed") for place, read in play.reads.items()}

    assert [len(placed["one coil"]), play.tallies["one coil"]] == [1, "1"]
    assert [len(placed["coil undone"]), play.tallies["coil undone"]] == [0, "0"]
    assert [str(len(placed["all passed"]))] == [play.tallies["all passed"]]
    discarded = play.reads["coil discarded"]
    (ring,) = shapes_of(discarded, "coil discarded")
    (varix,) = shapes_of(discarded, "varix measured")
    assert len(shapes_of(discarded, "coil cross")) == 2
    assert ring["left"] > varix["right"]


def test_adhesive_waits_in_the_needle_until_it_is_flushed(play: Play):
    """[DR7, DR9] 1 mL into a needle that holds 1 mL: none past the tip, after the flush all."""
    before, after = play.reads["adhesive in the needle"], play.reads["all passed"]

    assert "Mix past needle tip 0 mL" in before["says"]
    assert len(shapes_of(before, "liquid held-mix")) == 1
    assert shapes_of(before, "liquid mix") == []
    assert "Mix past needle tip 1 mL" in after["says"]
    assert len(shapes_of(after, "liquid mix")) == 1


def test_the_small_drawing_shows_where_there_is_room_and_moves_nothing(play: Play):
    """[UX-04] Step, primary action and answers stand where they stood without the drawing."""
    assert play.moved == []
    assert "blood return, tall" in play.far_seen
    assert "coil, portrait" not in play.far_seen, "no room, and yet drawn"


def test_forced_colours_leave_every_line_visible(play: Play):
    """[UX-11] With the colours of the system every line and text is its text colour."""
    assert play.forced == {"CanvasText"}


def test_close_out_has_the_plan_beside_what_was_done(play: Play):
    """[DR11] The planned drawing has nothing done, the done one nothing planned."""
    planned, done = play.reads["close-out planned"], play.reads["close-out done"]

    assert "planned" in planned["says"]
    assert "placed" not in planned["says"]
    assert "planned" not in done["says"]
    assert len(shapes_of(done, "coil placed")) == int(play.tallies["all passed"])
