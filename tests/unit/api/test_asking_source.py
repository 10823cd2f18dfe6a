"""From where somebody asks: the line itself, or what a proxy on this machine says."""

import asyncio

import httpx
import pytest
from litestar import Litestar, Request, get
from litestar.datastructures import State

from api.routes.asking_source import source_of


class _Around:
    def __init__(self, *, is_behind_proxy):
        self.is_behind_proxy = is_behind_proxy


@get("/", sync_to_thread=False)
def _tell(request: Request) -> dict[str, str]:
    return {"source": source_of(request)}


def _source(line, *told, is_behind_proxy=False):
    """Ask over a line from an address, with headers as they are told."""
    state = State({"surroundings": _Around(is_behind_proxy=is_behind_proxy)})
    app = Litestar([_tell], state=state, openapi_config=None)

    async def ask():
        carrier = httpx.ASGITransport(app, client=(line, 50_000))
        async with httpx.AsyncClient(transport=carrier, base_url="http://unit.test") as client:
            headers = [("x-forwarded-for", one) for one in told]
            return (await client.get("/", headers=headers)).json()["source"]

    return asyncio.run(ask())


@pytest.mark.parametrize(
    ("line", "source"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::9", "2001:db8:1:3::/64"),
        ("a socket", "a socket"),
    ],
)
def test_the_source_is_the_line_and_no_header_changes_it(line, source):
    """[SEC-06] One line of IPv6 is one source, whichever of its addresses asks.

    The planted bug it has caught: each address of an IPv6 line a source of its own.
    """
    assert _source(line) == source
    assert _source(line, "198.51.100.4") == source
    assert _source(line, "198.51.100.4", is_behind_proxy=True) == source


@pytest.mark.parametrize("line", ["127.0.0.1", "127.0.0.9", "::1", "::ffff:127.0.0.1"])
@pytest.mark.parametrize(
    ("told", "source"),
    [
        (("198.51.100.4",), "198.51.100.4"),
        (("192.0.2.66, 198.51.100.4",), "198.51.100.4"),
        (("192.0.2.66", "192.0.2.67 ,198.51.100.4 "), "198.51.100.4"),
        (("2001:db8:1:2::9",), "2001:db8:1:2::/64"),
    ],
)
def test_behind_a_proxy_its_last_word_is_the_source(line, told, source):
    """[SEC-06] What stands before it anybody may have written.

    The planted bugs it has caught: the first entry believed; the first of two headers believed;
    the header believed of any line.
    """
    assert _source(line, *told, is_behind_proxy=True) == source


@pytest.mark.parametrize("told", [(), ("",), ("nobody",), ("198.51.100.4,",), ("unknown, _x",)])
def test_a_proxy_that_says_nothing_is_the_source_itself(told):
    """[SEC-06]."""
    assert _source("127.0.0.1", *told, is_behind_proxy=True) == "127.0.0.1"


@pytest.mark.parametrize("line", ["127.0.0.1", "::1"])
def test_without_a_proxy_the_machine_itself_is_not_believed(line):
    """[SEC-06]."""
    assert _source(line, "198.51.100.4") == _source(line)
