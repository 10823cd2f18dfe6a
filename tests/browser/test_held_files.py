"""A start that fails on a file of the records deletes nothing, and the next one finds everything.

Plays the built app in Chromium. Cites HAZ-36 and REL-13.
"""

import re

import pytest
from playwright.sync_api import Route, expect

from tests.browser import played_case as case
from tests.browser.unit_server import UnitServer

pytestmark = pytest.mark.browser

# The handles after so many are refused, as when another program holds a file.
_REFUSE = """{
  const open = FileSystemFileHandle.prototype.createSyncAccessHandle;
  let asked = 0;
  FileSystemFileHandle.prototype.createSyncAccessHandle = function (...given) {
    if (++asked <= MOST) return open.apply(this, given);
    return Promise.reject(new DOMException('held elsewhere', 'NoModificationAllowedError'));
  };
}
"""
_SIZES = """async () => {
  let folder = await navigator.storage.getDirectory();
  for (const name of ['crura', '.opaque']) folder = await folder.getDirectoryHandle(name);
  const sizes = {};
  for await (const entry of folder.values()) sizes[entry.name] = (await entry.getFile()).size;
  return sizes;
}"""
_WITHOUT_SERVICE_WORKER = """async () => {
  for (const one of await navigator.serviceWorker.getRegistrations()) await one.unregister();
  for (const name of await caches.keys()) await caches.delete(name);
}"""


@pytest.mark.parametrize("when", ["while its files are tried", "while the pool begins"])
def test_a_start_that_fails_deletes_nothing(server: UnitServer, new_device, when: str):
    """[HAZ-36] [REL-13] The pool's own way out of a failed start would be to remove every file.

    The planted bug it has caught: a pool begun without trying its files, and free to remove them.
    """
    server.start()
    tablet = new_device("tablet")
    page = tablet.start(server.address)
    case.press(page, "Work on this device alone")
    case.press(page, "Emergency start")
    case.press(page, "Start emergency case now")
    expect(page.locator("h1.ask")).to_be_visible()
    tablet.kill()
    page = tablet.start(f"{server.address}/api/health")
    page.evaluate(_WITHOUT_SERVICE_WORKER)
    before = page.evaluate(_SIZES)
    assert len(before) >= 8
    most = 3 if when == "while its files are tried" else len(before) + 3

    def cripple(route: Route) -> None:
        answer = route.fetch()
        refuse = _REFUSE.replace("MOST", str(most))
        route.fulfill(response=answer, body=refuse + answer.text())

    page.route(re.compile("store-worker"), cripple)
    page.goto(server.address)

    told = page.get_by_role("alert")
    expect(told).to_contain_text("cannot be opened", timeout=30_000)
    expect(told).to_contain_text("Nothing was deleted.")
    tablet.kill()
    page = tablet.start(f"{server.address}/api/health")
    assert page.evaluate(_SIZES) == before
    page.evaluate(_WITHOUT_SERVICE_WORKER)
    page.goto(server.address)
    expect(page.locator("h1.ask")).to_be_visible()
