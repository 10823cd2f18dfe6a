"""A hand scanner at the bedside: types a code as a keyboard does, faster than any person."""

from playwright.sync_api import Page, expect

SEPARATOR = "\x1d"
# One key after another in one burst, the separator as Ctrl and ].
TYPE_LIKE_A_SCANNER = """code => {
  const press = (key, more) => document.body.dispatchEvent(
    new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true, ...more }));
  for (const sign of code) {
    if (sign === '\\u001d') press(']', { ctrlKey: true });
    else press(sign, {});
  }
  press('Enter', {});
}"""


def scan_by_hand(page: Page, code: str) -> str:
    """Scan with no sheet open, and take the label; return what was shown of it."""
    page.evaluate(TYPE_LIKE_A_SCANNER, code)
    sheet = page.get_by_role("dialog")
    expect(sheet.locator("dl")).to_be_visible()
    shown = sheet.locator("dl").inner_text()
    sheet.get_by_role("button", name="Take this label").click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    return shown
