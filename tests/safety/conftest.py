"""A served unit and a served hub, which the tests of a file share."""

from collections.abc import Iterator

import pytest

from tests.unit.api.standing_unit import StandingUnit


def _serve(tmp_path_factory: pytest.TempPathFactory, *, as_hub: bool) -> Iterator[StandingUnit]:
    place = tmp_path_factory.mktemp("served") / "server"
    with StandingUnit(place, as_hub=as_hub).serving() as standing:
        # An open line of events would be read for ever.
        standing.client.app.state.surroundings.bell.close()
        yield standing


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StandingUnit]:
    yield from _serve(tmp_path_factory, as_hub=False)


@pytest.fixture(scope="module")
def hub(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StandingUnit]:
    yield from _serve(tmp_path_factory, as_hub=True)


@pytest.fixture(params=["unit", "hub"])
def server(request: pytest.FixtureRequest) -> StandingUnit:
    """The unit, then the hub."""
    return request.getfixturevalue(request.param)
