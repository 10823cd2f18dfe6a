"""Counts touches on the built app and estimates the time that a practised hand needs for them.

The estimate is a keystroke-level one: Card, Moran and Newell, The Keystroke-Level Model for User
Performance Time with Interactive Systems, Communications of the ACM 1980;23:396. Its mental
operator of 1.35 s is theirs (published). The others are adapted to a gloved finger on glass and are
defaults of this project, not measured on people: 0.6 s a touch, 0.5 s a digit of a pad, 1 s a hold.
What the patient needs, such as the minute of an injection, is no work at the tablet and not in it.
"""

from dataclasses import dataclass

from playwright.sync_api import Page

LOOK_S, TOUCH_S, DIGIT_S, HOLD_S = 1.35, 0.6, 0.5, 1.0
# Touches of a pad after its first follow without a look between them.
_START = """
() => {
  if (window.touchLog) return;
  window.touchLog = [];
  window.keyLog = [];
  addEventListener('pointerdown', (event) => {
    if (!event.isTrusted) return;
    const on = event.target.closest('button, a, [role=button]') ?? event.target;
    const isPin = on.closest('[data-pin-pad]') !== null;
    const words = (on.getAttribute('aria-label') || on.innerText || on.tagName)
      .replace(/\\s+/g, ' ').trim();
    window.touchLog.push({ words, isPin, isDigit: /^([0-9]|Decimal point)$/.test(words), at:
      performance.now(), heldMs: 0 });
  }, true);
  addEventListener('pointerup', (event) => {
    const last = window.touchLog.at(-1);
    if (event.isTrusted && last) last.heldMs = performance.now() - last.at;
  }, true);
  addEventListener('keydown', (event) => {
    if (event.isTrusted) window.keyLog.push(event.key);
  }, true);
}
"""


@dataclass(frozen=True)
class Touch:
    """One pointer that went down on the page, and what lay under it."""

    words: str
    is_digit: bool
    is_hold: bool
    is_pin: bool = False


def start_counting(page: Page) -> None:
    """Count from now on; a page that counts already goes on."""
    page.evaluate(_START)


def read_touches(page: Page) -> list[Touch]:
    """Return every touch since the count began, the oldest first."""
    return [
        Touch(
            words=one["words"],
            is_digit=one["isDigit"],
            is_hold=one["heldMs"] >= 900,
            is_pin=one["isPin"],
        )
        for one in page.evaluate("() => window.touchLog")
    ]


def read_keys(page: Page) -> list[str]:
    """Return every key of a keyboard that was pressed since the count began."""
    return [str(key) for key in page.evaluate("() => window.keyLog")]


def estimate_s(touches: list[Touch]) -> float:
    """Return the seconds that these touches take by the keystroke-level estimate."""
    total, was_digit = 0.0, False
    for touch in touches:
        if touch.is_digit:
            total += DIGIT_S if was_digit else LOOK_S + DIGIT_S
        else:
            total += LOOK_S + TOUCH_S + (HOLD_S if touch.is_hold else 0.0)
        was_digit = touch.is_digit
    return total
