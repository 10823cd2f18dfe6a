"""A Chromium of our own for the browser tests: one that can be killed in the middle."""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

from playwright.sync_api import BrowserContext, Page, Playwright

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
SIZES = {"portrait": (768, 1024), "tall": (820, 1180), "desk": (1280, 800)}
_QUIET = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


class Device:
    """One browser with its own profile folder: what is stored survives a kill and a restart."""

    def __init__(
        self, playwright: Playwright, profile: Path, size: str = "tall", flags: Sequence[str] = ()
    ) -> None:
        self._playwright = playwright
        self._flags = flags
        self._profile = profile
        self._size = SIZES[size]
        self._process: subprocess.Popen[bytes] | None = None
        self.page: Page = None  # type: ignore[assignment]
        self.problems: list[str] = []

    def start(self, address: str) -> Page:
        """Start the browser and open the address."""
        port_file = self._profile / "DevToolsActivePort"
        port_file.unlink(missing_ok=True)
        self._process = subprocess.Popen(
            [
                CHROMIUM,
                *_QUIET,
                *self._flags,
                "--remote-debugging-port=0",
                f"--user-data-dir={self._profile}",
                "about:blank",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        for _ in range(600):
            if port_file.exists() and port_file.read_text().count("\n") >= 1:
                break
            time.sleep(0.1)
        else:
            raise AssertionError("Chromium did not start within 60 s.")
        port = port_file.read_text().splitlines()[0]
        browser = self._playwright.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")
        context: BrowserContext = browser.contexts[0]
        context.set_default_timeout(15_000)
        self.page = context.pages[0] if context.pages else context.new_page()
        self.page.set_viewport_size({"width": self._size[0], "height": self._size[1]})
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.on(
            "console",
            lambda message: (
                self.problems.append(message.text)
                if message.type == "error" and "net::" not in message.text
                else None
            ),
        )
        self.page.goto(address)
        return self.page

    def kill(self) -> None:
        """Kill the whole browser at once, as a flat battery would."""
        if self._process is None:
            return
        os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._process = None
        # A lock left by the dead browser would make the next one refuse the profile.
        for name in ("SingletonLock", "SingletonSocket", "SingletonCookie"):
            (self._profile / name).unlink(missing_ok=True)
