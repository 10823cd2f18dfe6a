"""How a screen looks from afar, in the dark and without colour: read from what Chromium drew.

Sizes come from computed styles and boxes, brightness from the pixels of a screenshot.
"""

import base64
from dataclasses import dataclass
from typing import Any

from playwright.sync_api import BrowserContext, Locator, Page

# #2A3238, the lightest that a large surface may be at the bedside (UX-03).
DARK_ENOUGH = (0x2A, 0x32, 0x38)
FAR_PX, GLANCE_PX = 84, 116

_READ = r"""
({ farPx }) => {
  const seen = (node) => {
    if (!node.checkVisibility({ opacityProperty: true, visibilityProperty: true })) return false;
    const box = node.getBoundingClientRect();
    return box.width > 1 && box.height > 1 && box.bottom > 0 && box.top < innerHeight;
  };
  const main = document.querySelector('main');
  const flat = (text) => text.replace(/\s+/g, ' ').trim();

  // Numbers that can be read from afar: text of digits at that size, whole element at a time.
  const far = [];
  for (const node of main.querySelectorAll('*')) {
    const own = [...node.childNodes].filter((one) => one.nodeType === Node.TEXT_NODE);
    const text = flat(own.map((one) => one.textContent).join(' '));
    if (!/\d/.test(text) || !seen(node) || node.closest('svg')) continue;
    const size = parseFloat(getComputedStyle(node).fontSize);
    if (size < farPx) continue;
    const term = node.closest('div')?.querySelector('dt');
    const timer = node.closest('[role=timer]') ? document.querySelector('h1.ask') : null;
    far.push({
      text: flat(node.innerText), size, name: flat((term ?? timer)?.innerText ?? ''),
      tally: node.dataset.tally ?? (timer ? 'timer' : ''),
    });
  }

  const colours = {};
  const style = getComputedStyle(document.documentElement);
  const probe = document.createElement('i');
  document.body.append(probe);
  for (const name of ['danger', 'caution', 'notice', 'done', 'danger-fill']) {
    probe.style.color = style.getPropertyValue(`--${name}`);
    colours[getComputedStyle(probe).color] = name;
  }
  probe.remove();
  // What has the colour of a status; shapes and the like count with the words around them.
  const statuses = [];
  for (const node of document.body.querySelectorAll('*')) {
    if (!seen(node) || node.closest('svg')) continue;
    const own = getComputedStyle(node);
    const ink = colours[own.color];
    const fill = colours[own.backgroundColor];
    const isFirst = ink !== undefined &&
      getComputedStyle(node.parentElement).color !== own.color;
    if (!isFirst && fill === undefined) continue;
    const around = flat(node.innerText).match(/[A-Za-z]{2,}/) ? node : node.parentElement;
    statuses.push({ name: fill ?? ink, text: flat(around.innerText).slice(0, 60) });
  }

  const line = {};
  for (const node of document.querySelectorAll('[data-status]')) {
    const box = node.getBoundingClientRect();
    const isWhole = box.left >= 0 && box.right <= innerWidth + 0.5 && box.top >= 0 &&
      box.bottom <= innerHeight && node.scrollWidth <= node.clientWidth + 1;
    line[node.dataset.status] = { text: flat(node.innerText), isWhole };
  }
  const ask = main.querySelector('h1.ask');
  return {
    far, statuses, line,
    ask: ask && { text: flat(ask.innerText), size: parseFloat(getComputedStyle(ask).fontSize) },
    tally: [...main.querySelectorAll('[data-tally]')].filter(seen).map((node) => ({
      name: node.dataset.tally, text: flat(node.innerText),
      size: parseFloat(getComputedStyle(node).fontSize),
    })),
  };
}
"""

_COUNT = """
async ({ png, dark }) => {
  const bytes = Uint8Array.from(atob(png), (one) => one.charCodeAt(0));
  const image = await createImageBitmap(new Blob([bytes], { type: 'image/png' }));
  const canvas = new OffscreenCanvas(image.width, image.height);
  const brush = canvas.getContext('2d', { willReadFrequently: true });
  brush.drawImage(image, 0, 0);
  const { data } = brush.getImageData(0, 0, image.width, image.height);
  const part = (byte) => {
    const share = byte / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  };
  const light = (r, g, b) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const limit = light(...dark);
  const counts = new Map();
  for (let at = 0; at < data.length; at += 4) {
    const colour = (data[at] << 16) | (data[at + 1] << 8) | data[at + 2];
    counts.set(colour, (counts.get(colour) ?? 0) + 1);
  }
  let all = 0;
  let most = [0, 0];
  for (const [colour, count] of counts) {
    if (light(colour >> 16, (colour >> 8) & 255, colour & 255) <= limit) continue;
    all += count;
    if (count > most[1]) most = [colour, count];
  }
  // One surface is one area of one colour that hangs together, letters on it left out.
  const [wanted] = most;
  const { width, height } = image;
  const isOf = new Uint8Array(width * height);
  for (let at = 0; at < isOf.length; at += 1) {
    const colour = (data[at * 4] << 16) | (data[at * 4 + 1] << 8) | data[at * 4 + 2];
    isOf[at] = colour === wanted ? 1 : 0;
  }
  let largest = 0;
  const stack = [];
  for (let start = 0; start < isOf.length; start += 1) {
    if (isOf[start] === 0) continue;
    let size = 0;
    isOf[start] = 0;
    stack.push(start);
    while (stack.length > 0) {
      const at = stack.pop();
      size += 1;
      const x = at % width;
      for (const [next, isBeside] of [
        [at - 1, x > 0], [at + 1, x < width - 1], [at - width, true], [at + width, true],
      ]) {
        if (isBeside && isOf[next] === 1) {
          isOf[next] = 0;
          stack.push(next);
        }
      }
    }
    largest = Math.max(largest, size);
  }
  return {
    lightShare: all / isOf.length, surfaceShare: largest / isOf.length,
    surface: '#' + wanted.toString(16).padStart(6, '0'),
  };
}
"""


@dataclass(frozen=True)
class Brightness:
    """Shares of a picture: all that is lighter than `DARK_ENOUGH`, and the largest such surface.

    The surface is of the light colour that covers most.
    """

    light_share: float
    surface_share: float
    surface: str


def read_looks(page: Page) -> dict[str, Any]:
    """Return far numbers, status words and the status line of what is drawn now."""
    return page.evaluate(_READ, {"farPx": FAR_PX})  # type: ignore[no-any-return]


def measure_brightness(context: BrowserContext, picture: bytes) -> Brightness:
    """Return how much of a screenshot is light, counted pixel by pixel on an empty page."""
    page = context.new_page()
    try:
        found = page.evaluate(
            _COUNT,
            {"png": base64.b64encode(picture).decode(), "dark": list(DARK_ENOUGH)},
        )
    finally:
        page.close()
    return Brightness(found["lightShare"], found["surfaceShare"], found["surface"])


def distance_px(one: Locator, other: Locator) -> float:
    """Return the free distance of two drawn controls, corner to corner."""
    a, b = one.bounding_box(), other.bounding_box()
    assert a is not None
    assert b is not None
    across = max(a["x"] - b["x"] - b["width"], b["x"] - a["x"] - a["width"], 0)
    down = max(a["y"] - b["y"] - b["height"], b["y"] - a["y"] - a["height"], 0)
    return float((across**2 + down**2) ** 0.5)
