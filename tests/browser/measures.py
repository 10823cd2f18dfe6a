"""What a screen measures: boxes, gaps, contrast and fields, read from the drawn page.

Everything is computed from the boxes and styles that Chromium reports, never from the sources of
the screens. Contrast follows WCAG 2.2, "relative luminance" and "contrast ratio".
"""

from dataclasses import dataclass
from itertools import combinations
from typing import Any

from playwright.sync_api import Page

TARGET_PX, PRIMARY_PX, GAP_PX, EDGE_PX, DESK_PX = 96, 128, 16, 32, 48
# Layout rounds to parts of a pixel.
SLACK_PX = 0.5

_READ = r"""
() => {
  const dialogs = [...document.querySelectorAll('[aria-modal="true"]')];
  const root = dialogs.at(-1) ?? document.querySelector('main');
  const wide = { width: innerWidth, height: innerHeight };
  const scrolls = (style) => /auto|scroll|hidden|clip/.test(style.overflowX + style.overflowY);
  const isSeen = (node) =>
    node.checkVisibility({ opacityProperty: true, visibilityProperty: true });
  const shownPart = (node) => {
    const full = node.getBoundingClientRect();
    const part = { left: full.left, top: full.top, right: full.right, bottom: full.bottom };
    const cut = (by) => {
      part.left = Math.max(part.left, by.left);
      part.top = Math.max(part.top, by.top);
      part.right = Math.min(part.right, by.right);
      part.bottom = Math.min(part.bottom, by.bottom);
    };
    for (let up = node.parentElement; up; up = up.parentElement) {
      if (scrolls(getComputedStyle(up)) && up !== document.body) cut(up.getBoundingClientRect());
    }
    cut({ left: 0, top: 0, right: wide.width, bottom: wide.height });
    return part;
  };
  const words = (node) =>
    (node.getAttribute('aria-label') || node.innerText || node.tagName)
      .replace(/\s+/g, ' ').slice(0, 50);
  const kinds =
    'button, a[href], input, select, textarea, summary, [role=button], [contenteditable]';
  const boxOf = (node) => {
    const full = node.getBoundingClientRect();
    const part = shownPart(node);
    const isShown = part.right - part.left > 1 && part.bottom - part.top > 1;
    let covered = '';
    if (isShown) {
      const hit = document.elementFromPoint(
        (part.left + part.right) / 2, (part.top + part.bottom) / 2);
      if (hit && !node.contains(hit)) covered = words(hit);
    }
    return {
      words: words(node), width: full.width, height: full.height, ...part, isShown, covered,
      isPrimary: node.closest('[data-primary]') !== null || node.classList.contains('size-primary'),
    };
  };
  const boxes = [...root.querySelectorAll(kinds)].filter(isSeen).map(boxOf);
  const frame = [...document.querySelectorAll('header button, nav button')]
    .filter(isSeen).map(boxOf);

  const page = document.documentElement;
  const sideways = [page, document.querySelector('main'), ...root.querySelectorAll('*')]
    .filter((node) => node && node.scrollWidth > node.clientWidth + 1 && node.clientWidth > 0)
    .filter((node) => node === page ||
      /auto|scroll/.test(getComputedStyle(node).overflowX))
    .map((node) =>
      `${node.tagName}.${node.className} by ${node.scrollWidth - node.clientWidth} px`);

  const fields = [...root.querySelectorAll('input, textarea, [contenteditable]')].map(words);

  const colour = (text) => {
    const parts = text.match(/[\d.]+/g).map(Number);
    return /^color\(srgb/.test(text)
      ? [...parts.slice(0, 3).map((part) => part * 255), parts[3] ?? 1]
      : [...parts.slice(0, 3), parts[3] ?? 1];
  };
  const over = (top, under) =>
    [0, 1, 2].map((i) => top[i] * top[3] + under[i] * (1 - top[3])).concat(1);
  const ground = (node) => {
    const layers = [];
    for (let up = node; up; up = up.parentElement) {
      const back = colour(getComputedStyle(up).backgroundColor);
      if (back[3] > 0) layers.push(back);
      if (back[3] === 1) break;
    }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255, 1]);
  };
  const opacity = (node) => {
    let all = 1;
    for (let up = node; up; up = up.parentElement) all *= Number(getComputedStyle(up).opacity);
    return all;
  };
  const light = ([r, g, b]) => {
    const part = (byte) => {
      const share = byte / 255;
      return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
    };
    return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  };
  const texts = [];
  const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode.parentElement;
    const text = walker.currentNode.textContent.trim();
    if (text === '' || !isSeen(node) || node.closest('.hidden-visually, :disabled')) continue;
    const part = shownPart(node);
    if (part.right - part.left < 1 || part.bottom - part.top < 1) continue;
    const back = ground(node);
    const ink = colour(getComputedStyle(node).color);
    ink[3] *= opacity(node);
    const [one, other] = [light(over(ink, back)), light(back)];
    const ratio = (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
    texts.push({ text: text.slice(0, 50), ratio });
  }
  return { wide, boxes, frame, sideways, fields, texts, isDialog: dialogs.length > 0 };
}
"""


@dataclass(frozen=True)
class Faults:
    """Sentences on what a screen breaks, one list a rule; empty lists are good."""

    targets: list[str]
    edges: list[str]
    fields: list[str]
    contrast: list[str]
    measured: int
    texts: int


def read_screen(page: Page) -> dict[str, Any]:
    """Return the boxes, fields and text contrasts of what is drawn now."""
    return page.evaluate(_READ)  # type: ignore[no-any-return]


def find_faults(screen: dict[str, Any], *, wants_primary: bool) -> Faults:
    """Judge what `read_screen` returned by UX-01, UX-03, UX-08 and UX-25."""
    boxes = [box for box in screen["boxes"] if box["isShown"]]
    targets = [f"sideways scroll: {one}" for one in screen["sideways"]]
    for box in screen["boxes"]:
        least = PRIMARY_PX if box["isPrimary"] else TARGET_PX
        if box["height"] < least - SLACK_PX or box["width"] < least - SLACK_PX:
            targets.append(
                f"{box['words']!r} is {box['width']:.0f} x {box['height']:.0f} px, not {least}"
            )
    targets.extend(
        f"frame: {box['words']!r} is {box['width']:.0f} x {box['height']:.0f} px, not {DESK_PX}"
        for box in screen["frame"]
        if box["height"] < DESK_PX - SLACK_PX or box["width"] < DESK_PX - SLACK_PX
    )
    targets.extend(
        f"{box['words']!r} is covered by {box['covered']!r}" for box in boxes if box["covered"]
    )
    for one, other in combinations(boxes, 2):
        gap = _gap_px(one, other)
        if gap < GAP_PX - SLACK_PX:
            said = f"{gap:.0f} px apart" if gap >= 0 else "overlap"
            targets.append(f"{one['words']!r} and {other['words']!r}: {said}")
    primaries = [box for box in boxes if box["isPrimary"]]
    if wants_primary:
        if len(primaries) != 1:
            targets.append(f"{len(primaries)} primary actions in sight, not 1")
        height = screen["wide"]["height"]
        targets.extend(
            f"primary {box['words']!r} starts at {box['top']:.0f} of {height} px, too high"
            for box in primaries
            if box["top"] < height * 2 / 3 - SLACK_PX
        )
    return Faults(
        targets=targets,
        edges=[
            f"{box['words']!r} is {_edge_px(box, screen):.0f} px from the edge"
            for box in boxes
            if _edge_px(box, screen) < EDGE_PX - SLACK_PX
        ],
        fields=[f"a keyboard field: {one!r}" for one in screen["fields"]],
        contrast=[
            f"{text['text']!r} has {text['ratio']:.2f}:1"
            for text in screen["texts"]
            if text["ratio"] < 7
        ],
        measured=len(boxes),
        texts=len(screen["texts"]),
    )


def _gap_px(one: dict[str, float], other: dict[str, float]) -> float:
    """Return the free distance of two boxes along their wider axis, below 0 when they overlap."""
    across = max(one["left"] - other["right"], other["left"] - one["right"])
    down = max(one["top"] - other["bottom"], other["top"] - one["bottom"])
    return max(across, down)


def _edge_px(box: dict[str, float], screen: dict[str, Any]) -> float:
    wide = screen["wide"]
    return min(
        box["left"], box["top"], wide["width"] - box["right"], wide["height"] - box["bottom"]
    )
