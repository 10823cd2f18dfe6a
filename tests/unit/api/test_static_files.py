"""The built app from memory: places inside the app, marks, squeezing, and what is missing."""

import gzip

import pytest

from api.storage.static_files import StaticFiles
from tests.unit.api.standing_unit import StandingUnit, assert_problem

SCRIPT = b"export const answer = 42;\n" * 200


@pytest.fixture
def unit(tmp_path):
    standing = StandingUnit(tmp_path / "unit")
    standing.static_files = StaticFiles(
        {
            "index.html": b"<!doctype html><title>Crura</title>",
            "sw.js": b"self.x = 1;",
            "manifest.webmanifest": b"{}",
            "icon.svg": b"<svg/>",
            "assets/main-abc.js": SCRIPT,
            "assets/store-abc.wasm": b"\0asm" + bytes(5_000),
        }
    )
    with standing.serving():
        yield standing


@pytest.mark.parametrize(
    ("path", "media_type", "cache"),
    [
        ("/", "text/html; charset=utf-8", "no-cache"),
        ("/index.html", "text/html; charset=utf-8", "no-cache"),
        ("/sw.js", "text/javascript; charset=utf-8", "no-cache"),
        ("/manifest.webmanifest", "application/manifest+json", "no-cache"),
        ("/icon.svg", "image/svg+xml", "no-cache"),
        (
            "/assets/main-abc.js",
            "text/javascript; charset=utf-8",
            "public, max-age=31536000, immutable",
        ),
        ("/assets/store-abc.wasm", "application/wasm", "public, max-age=31536000, immutable"),
    ],
)
def test_each_file_has_its_type_and_its_time_to_live(unit, path, media_type, cache):
    answer = unit.client.get(path)

    assert answer.status_code == 200
    assert answer.headers["content-type"] == media_type
    assert answer.headers["cache-control"] == cache


@pytest.mark.parametrize("place", ["/cases", "/cases/case-1/procedure", "/clinic"])
def test_a_place_inside_the_app_is_answered_by_the_app(unit, place):
    assert unit.client.get(place).text == "<!doctype html><title>Crura</title>"


@pytest.mark.parametrize("path", ["/assets/gone-abc.js", "/favicon.ico", "/../pyproject.toml"])
def test_a_file_that_is_not_there_is_not_answered_by_the_app(unit, path):
    assert_problem(unit.client.get(path), 404)


@pytest.mark.parametrize("path", ["/api", "/api/nothing", "/api/exchange"])
def test_an_unknown_address_below_api_is_not_answered_by_the_app(unit, path):
    assert_problem(unit.client.get(path), 404)


def test_squeezed_content_is_the_same_content(unit):
    squeezed = unit.client.get("/assets/main-abc.js", headers={"accept-encoding": "gzip"})
    plain = unit.client.get("/assets/main-abc.js", headers={"accept-encoding": "identity"})

    # Once, not twice: a browser undoes what the header says and runs what is left.
    assert squeezed.headers.get_list("content-encoding") == ["gzip"]
    assert int(squeezed.headers["content-length"]) < len(SCRIPT)
    assert "content-encoding" not in plain.headers
    assert squeezed.content == plain.content == SCRIPT
    assert squeezed.headers["vary"].lower() == plain.headers["vary"].lower() == "accept-encoding"


def test_squeezing_is_kept_only_where_it_gains():
    files = StaticFiles({"tiny.js": b"1", "assets/main.js": SCRIPT})

    assert files.find("tiny.js").squeezed is None
    assert gzip.decompress(files.find("assets/main.js").squeezed) == SCRIPT


def test_a_file_the_browser_has_is_not_sent_again(unit):
    etag = unit.client.get("/").headers["etag"]

    again = unit.client.get("/", headers={"if-none-match": etag})

    assert again.status_code == 304
    assert again.content == b""
    assert unit.client.get("/", headers={"if-none-match": '"other"'}).status_code == 200


def test_head_tells_the_same_without_content(unit):
    answer = unit.client.head("/")

    assert answer.status_code == 200
    assert answer.content == b""


def test_without_a_build_a_page_says_what_to_do_and_the_exchange_works(tmp_path):
    standing = StandingUnit(tmp_path / "unit")
    standing.static_files = StaticFiles({})
    with standing.serving():
        page = standing.client.get("/")

        assert page.status_code == 503
        assert "make setup" in page.text
        assert standing.client.get("/api/health").status_code == 200


def test_the_build_mark_changes_with_any_file():
    one = StaticFiles({"index.html": b"1", "sw.js": b"1"})
    other = StaticFiles({"index.html": b"1", "sw.js": b"2"})

    assert one.build != other.build
    assert StaticFiles({}).build == "none"
