"""What stands around every answer, and what never reaches a route."""

import asyncio
import gzip
import json
import zlib

import pytest

from api.routes import bounded_body
from api.routes.bounded_body import MAX_INFLATED_BYTES
from api.routes.outer_shell import LOOPBACK_HOSTS, MAX_HEADERS, OuterShell
from tests.unit.api.standing_unit import LOCAL_KEY, StandingUnit, assert_problem


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    """One unit for all: what is asked here changes nothing."""
    with StandingUnit(tmp_path_factory.mktemp("shell") / "unit").serving() as standing:
        yield standing


JSON = {"content-type": "application/json"}
STANDING = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), screen-wake-lock=(self), microphone=(), geolocation=(), "
    "payment=(), usb=()",
}


def _policy(answer):
    parts = answer.headers["content-security-policy"].split("; ")
    return {name: set(sources) for name, *sources in (part.split(" ") for part in parts)}


def assert_standing_headers(answer):
    for name, content in STANDING.items():
        assert answer.headers[name] == content
    assert _policy(answer)["default-src"] == {"'none'"}


async def ask(app, method="GET", path="/", headers=(), receive=None):
    """Return status, headers and content of one request to a bare ASGI application."""
    messages = []
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "scheme": "http",
        "headers": [(b"host", b"127.0.0.1:8470"), *headers],
    }

    async def receive_nothing():
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message):
        messages.append(message)

    # With a bug that waits for ever the test ends all the same.
    await asyncio.wait_for(app(scope, receive or receive_nothing, send), 20)
    start = messages[0]
    content = b"".join(message.get("body", b"") for message in messages[1:])
    headers = dict(start["headers"])
    for name, wanted in STANDING.items():
        assert headers[name.encode()] == wanted.encode()
    assert b"default-src 'none'" in headers[b"content-security-policy"]
    return start["status"], headers, content


async def reads_all(scope, receive, send):
    """An application that reads the body and says how long it is."""
    count = 0
    while True:
        message = await receive()
        count += len(message.get("body", b""))
        if not message.get("more_body"):
            break
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": str(count).encode()})


def _methods_of(unit):
    return sorted(
        {
            (route.path, method)
            for route in unit.client.app.routes
            for method in getattr(route, "methods", ())
        }
    )


def test_headers_stand_on_the_answer_of_every_route_to_every_method(unit):
    """[SEC-02] The planted bug it has caught: 405 passed around the wrapper.

    `ask` looks at them on what the wrapper itself refuses: there it was refusals sent bare.
    """
    asked = _methods_of(unit)
    statuses = set()
    for path, method in asked:
        filled = path.replace("{", "").replace("}", "").replace(":str", "").replace(":path", "")
        for headers in ({}, {"authorization": f"Bearer {LOCAL_KEY}"}):
            if filled.endswith("/events"):
                headers = {}  # Its answer has no end.
            answer = unit.client.request(method, filled, headers=headers)
            statuses.add(answer.status_code)
            assert_standing_headers(answer)
            assert answer.status_code != 500, (method, path)
            # No other origin is let in.
            assert not [name for name in answer.headers if name.startswith("access-control-")]
            if path.startswith("/api/"):
                assert answer.headers["cache-control"] in ("no-store", "private, max-age=31536000")
    assert len(asked) > 60
    assert {200, 401, 405} & statuses


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PROPFIND"])
def test_other_methods_are_refused(unit, method):
    for path in ("/", "/api/health", "/metrics"):
        answer = unit.client.request(method, path, headers={"x-secret": "1"})
        assert_problem(answer, 405)
        assert_standing_headers(answer)
        assert "x-secret" not in answer.text


def test_headers_stand_on_what_was_asked_too_often_and_on_what_the_browser_has(tmp_path):
    """[SEC-02]"""
    with StandingUnit(tmp_path / "unit").serving() as unit:
        answers = [unit.ask_to_join("WRONG", "tablet-a") for _ in range(12)]
        known = unit.client.get("/").headers["etag"]
        answers.append(unit.client.get("/", headers={"if-none-match": known}))

    assert {429, 304} <= {answer.status_code for answer in answers}
    for answer in answers:
        assert_standing_headers(answer)


def test_the_policy_of_content_allows_no_markup_no_inline_and_no_other_origin(unit):
    """[SEC-03] The planted bug it has caught: 'unsafe-inline' for styles."""
    policy = _policy(unit.client.get("/"))

    assert policy["require-trusted-types-for"] == {"'script'"}
    assert policy["trusted-types"] == {"app-urls"}
    assert policy["script-src"] == {"'self'", "'wasm-unsafe-eval'"}
    assert policy["style-src"] == {"'self'"}
    for name in ("object-src", "base-uri", "frame-ancestors", "default-src"):
        assert policy[name] == {"'none'"}
    pictures = {"'self'", "data:", "blob:"}
    for name, sources in policy.items():
        if name not in ("require-trusted-types-for", "trusted-types", "script-src"):
            assert sources <= pictures | {"'none'"}, name
    # The service worker has no page; its own names are the one thing it may take in.
    worker = _policy(unit.client.get("/sw.js"))
    assert worker["script-src"] == {"'self'"}
    assert "trusted-types" not in worker


@pytest.mark.parametrize(
    ("method", "headers", "is_let_in"),
    [
        ("POST", {"sec-fetch-site": "same-origin"}, True),
        ("POST", {"sec-fetch-site": "cross-site"}, False),
        ("POST", {"sec-fetch-site": "same-site"}, False),
        ("POST", {"sec-fetch-site": "none"}, False),
        ("POST", {"sec-fetch-site": "SAME-ORIGIN"}, False),
        ("PUT", {"sec-fetch-site": "cross-site"}, False),
        ("DELETE", {"sec-fetch-site": "cross-site"}, False),
        # A browser before Fetch Metadata.
        ("POST", {"origin": "http://testserver.local"}, True),
        ("POST", {"origin": "https://other.invalid"}, False),
        ("POST", {"origin": "null"}, False),
        # No browser: a command, a device of the tests.
        ("POST", {}, True),
        ("GET", {"sec-fetch-site": "same-origin"}, True),
        ("GET", {"sec-fetch-site": "none"}, True),
        ("GET", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}, True),
        ("GET", {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}, False),
        ("GET", {"sec-fetch-site": "same-site", "sec-fetch-mode": "cors"}, False),
    ],
)
def test_what_another_page_makes_the_browser_send_is_refused(unit, method, headers, is_let_in):
    """[SEC-05] The planted bug it has caught: unsafe methods alone from `cross-site` refused."""
    answer = unit.client.request(method, "/api/health", headers=headers)

    if is_let_in:
        assert answer.status_code in (200, 405)
    else:
        assert_problem(answer, 403, "Another page")


@pytest.mark.parametrize(
    ("content_type", "status"),
    [
        ("application/json", 422),
        ("application/json; charset=utf-8", 422),
        ("Application/JSON", 422),
        ("text/plain", 415),
        ("application/x-www-form-urlencoded", 415),
        ("multipart/form-data; boundary=x", 415),
        ("application/jsonp", 415),
        ("text/plain; application/json", 415),
        ("application/octet-stream", 415),
        ("", 415),
        (None, 415),
    ],
)
def test_content_is_taken_as_json_alone(unit, content_type, status):
    """[SEC-05] A form of a foreign page can send none of it without asking first."""
    headers = {} if content_type is None else {"content-type": content_type}

    answer = unit.client.post("/api/calculate/liver-scores", content=b'{"x": 1}', headers=headers)

    assert_problem(answer, status)


def test_pieces_of_pictures_are_taken_as_bytes_alone(unit):
    a = unit.join("tablet-a")
    for content_type, status in (("application/json", 415), ("image/svg+xml", 415)):
        answer = unit.client.put(
            f"/api/pictures/{'0' * 64}?record=picture/p-1",
            content=b"1",
            headers={**a, "content-type": content_type},
        )
        assert_problem(answer, status, "application/octet-stream")


@pytest.mark.parametrize("count", [MAX_HEADERS - 1, MAX_HEADERS, MAX_HEADERS + 1])
def test_headers_are_counted(count):
    """The planted bug it has caught: a bound of the framework's own that there is not."""
    more = [(f"x-{number}".encode(), b"1") for number in range(count - 1)]

    status, _, _ = asyncio.run(ask(OuterShell(reads_all), headers=more))

    assert status == (431 if count > MAX_HEADERS else 200)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        (b"127.0.0.1", 200),
        (b"LOCALHOST:8470", 200),
        (b"[::1]:8470", 200),
        (b"unit.tarn.invalid", 200),
        (b"other.invalid", 421),
        (b"127.0.0.1.other.invalid", 421),
        (b"", 421),
        (b"[::2]", 421),
    ],
)
def test_a_request_names_a_host_of_ours(host, status):
    """[SEC-01] The planted bug it has caught: a name compared by its beginning."""
    shell = OuterShell(reads_all, hosts=LOOPBACK_HOSTS | {"unit.tarn.invalid"})

    async def ask_named():
        messages = []

        async def send(message):
            messages.append(message)

        async def receive():
            return {"type": "http.request", "body": b""}

        scope = {"type": "http", "method": "GET", "path": "/", "scheme": "http"}
        await shell({**scope, "headers": [(b"host", host)]}, receive, send)
        return messages[0]["status"]

    assert asyncio.run(ask_named()) == status


def test_two_host_headers_are_one_too_many():
    shell = OuterShell(reads_all, hosts=LOOPBACK_HOSTS)

    assert asyncio.run(ask(shell, headers=[(b"host", b"other.invalid")]))[0] == 421


@pytest.mark.parametrize("before", [0, 1])
def test_a_body_that_does_not_come_is_not_waited_for(before, monkeypatch):
    """[SEC-02] The planted bug it has caught: the time of the first piece alone looked at."""
    monkeypatch.setattr(bounded_body, "MAX_SILENT_SECONDS", 0.02)
    given = []

    async def receive_slowly():
        if len(given) < before:
            given.append(1)
            return {"type": "http.request", "body": b"x", "more_body": True}
        return await asyncio.Event().wait()

    for headers in ((), ((b"content-encoding", b"gzip"),)):
        given.clear()
        asked = ask(OuterShell(reads_all), "POST", "/", [*headers, *_json_of(9)], receive_slowly)
        status, sent, content = asyncio.run(asked)
        assert status == 408
        assert sent[b"connection"] == b"close"
        assert "did not come in time" in json.loads(content)["detail"]


def test_a_body_that_drips_for_ever_is_given_up(monkeypatch):
    """[SEC-02] The planted bug it has caught: only silence is timed, not the whole."""
    monkeypatch.setattr(bounded_body, "MAX_BODY_SECONDS", 0.05)

    async def drip():
        await asyncio.sleep(0.001)
        return {"type": "http.request", "body": b"x", "more_body": True}

    assert asyncio.run(ask(OuterShell(reads_all), "POST", "/", _json_of(9), drip))[0] == 408


def test_whoever_waits_after_the_body_may_wait_long(monkeypatch):
    """An event stream listens for the news that the asker has gone, for hours."""
    monkeypatch.setattr(bounded_body, "MAX_BODY_SECONDS", 0.03)
    monkeypatch.setattr(bounded_body, "MAX_SILENT_SECONDS", 0.02)
    told = []

    async def app(scope, receive, send):
        told.append(await receive())
        told.append(await receive())
        await send({"type": "http.response.start", "status": 200, "headers": []})

    messages = iter([{"type": "http.request", "body": b""}, {"type": "http.disconnect"}])

    async def receive():
        message = next(messages)
        if message["type"] == "http.disconnect":
            await asyncio.sleep(0.05)
        return message

    assert asyncio.run(ask(OuterShell(app), receive=receive))[0] == 200
    assert [message["type"] for message in told] == ["http.request", "http.disconnect"]


def _json_of(length):
    return [(b"content-type", b"application/json"), (b"content-length", str(length).encode())]


def _gzip_that_holds_nothing(count):
    """Yield gzip in pieces that unpack to nothing and never end: stored blocks of no length."""
    yield gzip.compress(b"")[:10]
    for _ in range(count):
        yield b"\x00\x00\x00\xff\xff" * 20_000


def test_gzip_without_end_that_holds_nothing_is_refused():
    """[SEC-02] The planted bug it has caught: only unpacked bytes were counted."""
    pieces = _gzip_that_holds_nothing(MAX_INFLATED_BYTES // 100_000 + 2)

    async def receive():
        piece = next(pieces, None)
        if piece is None:
            return {"type": "http.request", "body": b"", "more_body": False}
        return {"type": "http.request", "body": piece, "more_body": True}

    headers = [(b"content-encoding", b"gzip"), *_json_of(9)]
    status, _, content = asyncio.run(ask(OuterShell(reads_all), "POST", "/", headers, receive))

    assert status == 413
    assert "Send smaller batches" in json.loads(content)["detail"]


def test_two_codings_are_refused(unit):
    headers = [("content-encoding", "gzip"), ("content-encoding", "gzip"), *JSON.items()]

    answer = unit.client.post("/api/devices", content=zlib.compress(b"{}"), headers=headers)

    assert_problem(answer, 415, "gzip alone")


@pytest.mark.parametrize("is_https", [True, False])
def test_https_is_told_to_browsers_where_there_is_https(is_https):
    """[SEC-02] Also behind a proxy, where requests come in clear."""
    _, headers, _ = asyncio.run(ask(OuterShell(reads_all, is_https=is_https)))

    assert headers.get(b"strict-transport-security") == (b"max-age=31536000" if is_https else None)


def test_what_fails_around_the_framework_is_answered_like_all_else():
    """[SEC-02] [SEC-20] The planted bug it has caught: the server's own bare words, no headers."""

    async def fail(scope, receive, send):
        raise ValueError("Ada Fennimore")

    status, headers, content = asyncio.run(ask(OuterShell(fail), path="/api/x"))

    assert status == 500
    assert headers[b"cache-control"] == b"no-store"
    assert b"content-security-policy" in headers
    assert b"Fennimore" not in content


def test_what_fails_after_the_answer_began_is_not_answered_twice():
    async def fail(scope, receive, send):
        await send({"type": "http.response.start", "status": 200, "headers": []})
        raise ValueError("late")

    with pytest.raises(ValueError, match="late"):
        asyncio.run(ask(OuterShell(fail)))
