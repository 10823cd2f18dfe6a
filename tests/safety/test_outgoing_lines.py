"""[SEC-09] [SEC-24] The server opens two lines of its own: a unit to its hub, a hub to PostgreSQL.

SECURITY.md says so under "What comes in and goes out"; here stands which modules could open one at
all, and how the line to the hub behaves towards who answers.
"""

import ast
import re

import httpx
import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from api.storage.hub_requests import HubRequests, NoAnswerError
from api.storage.server_key import ServerKey
from tests.supply_chain.locks import ROOT
from tests.unit.api.test_serving import Running, certificate  # noqa: F401  a fixture

# Whatever opens a line, by the module that it comes from.
OPENS_LINES = re.compile(
    r"(httpx|requests|aiohttp|socket|smtplib|ftplib|telnetlib|poplib|imaplib|xmlrpc|websockets"
    r"|psycopg|asyncpg|http\.client|urllib\.request)(\.|$)"
)
LINES = {
    "api/serving.py": "listens; opens nothing",
    "api/storage/hub_requests.py": "a unit asks its hub",
    "api/use_cases/hub_line.py": "names what carries those requests",
    "api/storage/running_server.py": "a command asks the server of its own machine",
    "api/network_demonstration.py": "the demonstration asks the servers that it started itself",
    **{
        f"api/storage/{name}.py": "a hub and its PostgreSQL"
        for name in (
            *("heads_listener", "hub_store", "postgres_connection"),
            *("hub_migration", "postgres_line", "postgres_types"),
        )
    },
}


def _imported(source: str) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
    return names


def test_only_these_modules_open_a_line():
    """Nothing else of the server can load from elsewhere, or send anything anywhere."""
    sources = [path for part in ("api", "sync") for path in (ROOT / part).rglob("*.py")]
    opening = {
        path.relative_to(ROOT).as_posix()
        for path in sources
        if any(OPENS_LINES.match(name) for name in _imported(path.read_text(encoding="utf-8")))
    }

    assert len(sources) > 200
    assert opening == set(LINES)
    assert _imported("from urllib import request\nimport http.client") == {
        *("urllib", "urllib.request", "http.client")
    }


@pytest.fixture
def key():
    return ServerKey(ec.generate_private_key(ec.SECP256R1()))


def test_a_redirect_of_the_hub_is_not_followed(key):
    """An answer that names another address is no answer; nothing is sent there, no token either.

    Planted and caught: redirects followed.
    """
    asked = []

    def answer(request):
        asked.append(str(request.url))
        return httpx.Response(307, headers={"location": "https://elsewhere.example/take"})

    line = httpx.MockTransport(answer)
    with HubRequests("https://hub.example", "unit-a", key, token="t", transport=line) as hub:
        told = hub.post("/api/exchange/push", {"device": "unit-a"})

    assert (told.status, told.is_good) == (307, False)
    assert asked == ["https://hub.example/api/exchange/push"]


def test_a_hub_whose_certificate_nobody_trusts_is_not_asked(certificate, key, monkeypatch):  # noqa: F811
    """The same hub is asked once the machine trusts its certificate.

    Planted and caught: `verify` switched off.
    """
    with Running(*certificate) as running:
        address = f"https://127.0.0.1:{running.port}"
        with (
            HubRequests(address, "unit-a", key) as hub,
            pytest.raises(NoAnswerError, match="not reached"),
        ):
            hub.get("/")
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
        with (
            HubRequests(address, "unit-a", key) as hub,
            pytest.raises(NoAnswerError, match="What answered is no hub"),
        ):
            # It answers: with what no hub says.
            hub.get("/")
