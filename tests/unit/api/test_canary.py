"""Two hundred planted secrets, every route driven also into its errors, and nowhere one of them.

Each text of the record, each name of a record, each code, token and header is a word of its own.
What leaves the server besides the answer that was asked for must hold none: its log, what it says
on its console, its metrics, its refusals, and the addresses it names (SEC-20).
"""

import itertools
import json
import logging
import re

import pytest

from api.app import create_app
from api.storage.errors import StorageError
from api.use_cases.load_scenario import load_scenario
from tests.scenarios.test_seed_scenarios import STORIES
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import LOCAL_KEY, NOON_MS, StandingUnit

WORD = re.compile(r"zq[0-9]{4}canary", re.IGNORECASE)
STORE_PARTS = ("operations", "views", "devices", "signatures")
MACHINE = {"authorization": f"Bearer {LOCAL_KEY}"}


class Canaries:
    """Draws the secrets and knows where each was planted."""

    def __init__(self):
        self.planted = {}
        self._numbers = itertools.count(1)

    def draw(self, where):
        word = f"zq{next(self._numbers):04d}canary"
        self.planted[word] = where
        return word


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """A unit with seeded cases in which every text was replaced by a secret."""
    folder = tmp_path_factory.mktemp("canary")
    unit = StandingUnit(folder / "unit")
    canaries = Canaries()
    for path in STORIES[:3]:
        load_scenario(unit.store, path.stem, path.read_bytes(), today_on="2026-03-16")
    with unit.store.transaction():
        _plant(unit.store, Story(unit.store, now_ms=NOON_MS + 10_000_000), canaries)
    app = create_app(
        unit.store,
        unit.environment,
        unit.static_files,
        local_key=LOCAL_KEY,
        with_schema=True,
        log_folder=folder / "log",
    )
    with unit.serving():
        unit.client.app.asgi_handler = app.asgi_handler
        unit.canaries = canaries
        unit.folder = folder
        unit.cases = [one.record.split("/")[1] for one in _of_kind(unit, "case")][:1]
        yield unit


def _plant(store, story, canaries):
    for kind, described in store.catalogue.kinds.items():
        named = [one.record for one in store.views.of_kind(kind)]
        # One of each kind that was there, and one whose very name is a secret.
        for record in [*named[:3], f"{kind}/{canaries.draw(f'name of a {kind}')}"]:
            texts = {
                field.id: canaries.draw(f"{record} {field.id}")
                for field in described.fields
                if field.type == "text"
            }
            texts |= {
                field.id: inner
                for field in described.fields
                if field.type == "structure"
                and (inner := _texts_within(store, record, field, canaries))
            }
            if texts:
                story.write(record, **texts)


def _texts_within(store, record, field, canaries):
    held = store.views.state_of(record)
    values = held.fields[field.id].values if held and field.id in held.fields else ()
    content = dict(values[0].value) if values and isinstance(values[0].value, dict) else {}
    texts = [part["id"] for part in field.fields if part["type"] == "text"]
    return {**content, **{name: canaries.draw(f"{record} {field.id}.{name}") for name in texts}}


def _routes(app):
    return sorted(
        (route.path, method)
        for route in app.routes
        for method in getattr(route, "methods", ())
        if method not in ("OPTIONS", "HEAD") and not route.path.endswith("/events")
    )


def _fill(path, word):
    return re.sub(r"\{[a-z]+:[a-z]+\}", word, path)


def _ask_everything(unit, askers):
    """Ask every route as everybody, with secrets in each part of the request; yield answers."""
    draw = unit.canaries.draw
    for path, method in _routes(unit.client.app):
        for who, headers in askers.items():
            for case in (*unit.cases, ""):
                word = draw(f"address {path}") if not case else ""
                filled = _fill(path, case or word)
                asked = {
                    "params": {
                        "record": f"case/{case}" if case else draw(f"question {path}"),
                        "stream": "care",
                        "on": draw(f"day {path}"),
                    },
                    "headers": {**headers, "x-note": draw(f"header {path}"), "user-agent": word},
                }
                if method in ("POST", "PUT"):
                    asked["json"] = {draw("key"): draw(f"content {path}"), "case": f"case/{case}"}
                yield who, path, unit.client.request(method, filled, **asked)


def _of_kind(unit, kind):
    with unit.store.transaction():
        return unit.store.views.of_kind(kind)


def _refusals_hold_nothing(answers, stored):
    """Return words of the record that a refusal holds."""
    return [
        (path, word)
        for _, path, answer in answers
        if answer.status_code >= 400
        for word in WORD.findall(answer.text)
        if word in stored
    ]


def test_no_secret_leaves_but_in_the_answer_that_was_asked_for(planted, caplog, capfd):
    """[SEC-20] [SEC-24] The planted bugs it has caught: the path in the place of the route, and
    a word of the record in a refusal.
    """
    caplog.set_level(logging.DEBUG)
    stored = dict(planted.canaries.planted)
    device = planted.join("canary-a")
    booking = planted.join("canary-b", "booking")
    planted.canaries.planted[device["authorization"].split()[1]] = "token"
    askers = {"device": device, "booking": booking, "machine": MACHINE, "stranger": {}}

    answers = list(_ask_everything(planted, askers))

    assert len(stored) >= 200
    assert len(answers) > 200
    assert any(WORD.search(answer.text) for _, _, answer in answers if answer.status_code == 200)
    assert _refusals_hold_nothing(answers, stored) == []
    _assert_silent(planted, caplog, capfd, answers)


def test_no_secret_leaves_when_everything_breaks(planted, caplog, capfd, monkeypatch):
    """[SEC-20] The planted bug it has caught: the text of an error on the console."""
    caplog.set_level(logging.DEBUG)
    device = planted.join("canary-c")
    answers = []
    for part, error in itertools.product(STORE_PARTS, (ValueError, StorageError)):
        if part == "devices" and error is StorageError:
            continue
        word = planted.canaries.draw(f"broken {part}")
        with monkeypatch.context() as broken:
            broken.setattr(planted.store, part, _Broken(error, word))
            answers += list(_ask_everything(planted, {"device": device, "machine": MACHINE}))

    broken = [answer for _, _, answer in answers if answer.status_code >= 500]
    assert len(broken) > 200
    _assert_silent(planted, caplog, capfd, answers)
    for answer in broken:
        if answer.status_code == 503:
            continue  # A sentence of the store's own is what the answer is there for.
        assert not WORD.search(answer.text), answer.text


class _Broken:
    """A part of the store of which every use fails with a secret in the words."""

    def __init__(self, error, word):
        self._error, self._word = error, word

    def __getattr__(self, name):
        raise self._error(f"{self._word} in {name}")


def _assert_silent(unit, caplog, capfd, answers):
    log = "".join(path.read_text() for path in sorted((unit.folder / "log").iterdir()))
    assert len(log.splitlines()) >= len(answers)
    assert all(json.loads(line)["event"] == "request" for line in log.splitlines())
    printed = capfd.readouterr()
    places = {
        "log": log,
        # Not what the test's own client says of what it asks.
        "console": "".join(
            logging.Formatter().format(one) for one in caplog.records if one.name != "httpx"
        )
        + printed.out
        + printed.err,
        "metrics": unit.client.get("/metrics", headers=MACHINE).text,
        "addresses": " ".join(
            f"{name}: {content}"
            for _, _, answer in answers
            for name, content in answer.headers.items()
        ),
    }
    tokens = [word for word, where in unit.canaries.planted.items() if where == "token"]
    for place, text in places.items():
        found = {word: unit.canaries.planted[word.lower()] for word in WORD.findall(text)}
        assert found == {}, place
        assert not [token for token in tokens if token in text], place
    assert LOCAL_KEY not in log + places["console"]


def test_a_calendar_holds_the_place_and_no_other_word(planted):
    """[HAZ-47] [SEC-24] The planted bug it has caught: the label of a visit as the summary."""
    stored = planted.canaries.planted
    shown, events = set(), 0
    for place in sorted(set(_places(planted))):
        made = planted.client.post(
            "/api/calendars", json={"scope": "place", "name": place}, headers=MACHINE
        )
        assert made.status_code == 201, made.text
        feed = planted.client.get(f"/calendar/{made.json()['token']}.ics")
        assert feed.status_code == 200
        events += feed.text.count("BEGIN:VEVENT")
        shown |= set(WORD.findall(feed.text.replace("\r\n ", "")))

    assert events > 0
    assert all(stored[word].endswith(" place") for word in shown)


def _places(unit):
    return [
        value.value
        for one in _of_kind(unit, "clinic_session")
        if "place" in one.fields
        for value in one.fields["place"].values
    ]
