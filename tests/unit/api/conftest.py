"""A unit server that serves, and two tablets that joined it."""

import pytest

from tests.unit.api.standing_unit import StandingUnit


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "unit").serving() as standing:
        yield standing


@pytest.fixture
def a(unit):
    return unit.join("tablet-a")


@pytest.fixture
def b(unit):
    return unit.join("tablet-b")
