"""Fixtures of the browser tests: a server on its own folder, and devices with own profiles."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Playwright, expect, sync_playwright

from tests.browser.chromium import Device
from tests.browser.served_build import ServedBuild
from tests.browser.unit_server import UnitServer

# What is looked for may come late on a busy machine; a test that asks for less says so itself.
expect.set_options(timeout=15_000)


@pytest.fixture(scope="module")
def playwright_driver() -> Iterator[Playwright]:
    with sync_playwright() as driver:
        yield driver


@pytest.fixture
def server(tmp_path: Path) -> Iterator[UnitServer]:
    unit = UnitServer(tmp_path / "unit")
    yield unit
    unit.stop()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[UnitServer]:
    """A unit that serves the build under work (`BUILT_APP`) and is not started yet."""
    unit = ServedBuild(tmp_path / "served")
    yield unit
    unit.stop()


@pytest.fixture
def new_device(playwright_driver: Playwright, tmp_path: Path) -> Iterator[Callable[..., Device]]:
    devices: list[Device] = []

    def make(name: str, size: str = "tall") -> Device:
        profile = tmp_path / f"profile-{name}"
        profile.mkdir()
        device = Device(playwright_driver, profile, size)
        devices.append(device)
        return device

    yield make
    for device in devices:
        device.kill()
