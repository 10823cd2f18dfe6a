"""[SEC-20] [SEC-24] Secrets in every text of a unit and a hub; every route does its work; no leak.

A tablet pushes a secret of its own for every place of the catalogue that takes text, and one in the
name of a record of each kind. Passwords, codes, tokens, cookies and reasons are secrets too. Then
every route of both servers is asked by who may, so that it is done (below 300); which are not
stands in `NOT_DONE`. All of them are asked again: by others, with a secret in the place of each
part, with each part of the store broken, and on a disk that refuses.

What leaves a server besides the answer that was asked for must hold none of it: the log, the
console, the metrics, the headers of answers, refusals, what a unit sends to its hub, and feeds of
calendars but for the place. Planted and caught, each: the content of a push in a line of the
console; a word of the record in a refusal; the text of an error on the console; a word of the
record in the address of a request to the hub.
"""

import json
import logging
from collections.abc import Iterable

import pytest

from tests.safety.asked_requests import MACHINE, Asked, Asking, Route
from tests.safety.canary_walk import CanaryWalk, serving_canaries
from tests.safety.filled_records import text_places
from tests.safety.planted_secrets import OF_THE_SERVER
from tests.safety.spoiled_requests import again, by_others, good_requests, spoiled
from tests.safety.test_access_matrix import served_routes

# Routes that the walk does not get done, each with the reason.
NOT_DONE: dict[str, dict[Route, str]] = {
    "unit": {},
    "hub": {
        ("GET", "/api/devices"): "for bedside devices, which a hub has none of",
        ("POST", "/api/staff-codes/redeem"): "for tablets, which a hub has none of",
    },
}
# What a unit may tell its hub in clear: its name, lots of implants; the code that lets it in.
MAY_TRAVEL = ("site.name", ".device.lot", "code of an invitation")
# What a refusal may name of the record: of which places there is a calendar, to who may make one.
MAY_BE_NAMED = {("POST", "/api/calendars"): "clinic_session.place"}
# People who are refused most of what others may; also who asks by the key of the machine is.
ASK_FOR_NOTHING = ("booking", "auditor", "training")
STORE_PARTS = ("operations", "views", "devices", "people", "access", "calendars", "hub_line")


@pytest.fixture(scope="module")
def walk(tmp_path_factory):
    """Both servers; whichever test comes first asks them, and hears what they say meanwhile."""
    with serving_canaries(tmp_path_factory.mktemp("canary")) as walked:
        yield walked


@pytest.fixture
def silent(walk, caplog, capfd):
    """The walk; at the end of the test nothing of it may stand in log, console or metrics."""
    caplog.set_level(logging.DEBUG)
    walk.play()
    yield walk
    assert_silent(walk, caplog, capfd)


def assert_silent(walk: CanaryWalk, caplog, capfd, **more: str) -> None:
    """Assert that no secret stands in log, console, metrics or headers, nor in more places."""
    printed = capfd.readouterr()
    # Not what the test's own client says of what it asks.
    noted = [one for one in caplog.get_records("call") if one.name != "httpx"]
    noted += [one for one in caplog.get_records("setup") if one.name != "httpx"]
    places = {
        "console": "\n".join([*map(logging.Formatter().format, noted), printed.out, printed.err]),
        **more,
    }
    for side, asking in walk.sides.items():
        log = walk.log_of(side)
        assert len(log.splitlines()) >= len(asking.asked)
        assert {json.loads(line)["event"] for line in log.splitlines()} <= {"request", "started"}
        places[f"log of the {side}"] = log
        places[f"metrics of the {side}"] = asking.ask(MACHINE, "GET /metrics").text
        places[f"headers of the {side}"] = "\n".join(map(_headers, asking.asked))
    for place, text in places.items():
        assert walk.secrets.found_in(text) == {}, place


def _headers(asked: Asked) -> str:
    # The cookie of a log-in travels in a header, to who logs in.
    pairs = asked.answer.headers.items()
    return " ".join(f"{name}: {value}" for name, value in pairs if name != "set-cookie")


def leaks(walk: CanaryWalk, asked: Iterable[Asked]) -> list[tuple[Route, dict[str, str]]]:
    """Return secrets in refusals: of what a person sent, only that may come back to the sender."""
    found = []
    for one in asked:
        if one.answer.status_code < 400:
            continue
        sent = walk.secrets.found_in(f"{one.address} {one.sent}")
        told = {
            word: where
            for word, where in walk.secrets.found_in(one.answer.text).items()
            if word not in sent and where != MAY_BE_NAMED.get(one.route)
        }
        found.append((one.route, told))
    return [one for one in found if one[1]]


def test_every_route_is_done_and_no_secret_leaves_but_in_its_answer(silent):
    """Whatever a text is planted in was taken in, and comes back to who may read it."""
    for side, asking in silent.sides.items():
        served = served_routes(asking.unit.client.app)
        assert served - asking.routes() == set(NOT_DONE[side]), side
        assert leaks(silent, asking.asked) == []
    assert silent.aside == {}
    places = set(silent.secrets.planted.values())
    kinds = [
        one for one in silent.unit.unit.store.catalogue.kinds.values() if one.stream != "registry"
    ]
    planted = text_places(silent.unit.unit.store.catalogue, [one.id for one in kinds])
    assert [one for one in planted if one not in places] == []
    assert {one.id for one in kinds} > OF_THE_SERVER
    answered = "\n".join(one.answer.text for one in silent.unit.asked if one.answer.is_success)
    assert len(silent.secrets.found_in(answered)) > 1_000


def test_what_a_unit_sends_to_its_hub_holds_no_secret(silent):
    """[RG10] Not in an address, and in a body but for what a network has to know."""
    sent = silent.line.sent
    routes = {answered.split(" ")[1] for answered in silent.line.answered if answered[-3] == "2"}

    assert {"/api/devices", "/api/exchange/push", "/api/network/standing"} <= routes
    assert all(not silent.secrets.found_in(one.split(" ")[1]) for one in sent)
    told = silent.secrets.found_in("\n".join(sent))
    assert {where for where in told.values() if not where.endswith(MAY_TRAVEL)} == set()
    # What may travel does: what is looked through is what the unit tells.
    assert {end for end in MAY_TRAVEL if any(one.endswith(end) for one in told.values())} == set(
        MAY_TRAVEL
    )


def test_a_calendar_holds_the_place_and_no_other_word(silent):
    """[HAZ-47] [SEC-24] The planted bug it has caught: the label of a visit as the summary."""
    feeds = [one.answer.text for one in silent.unit.asked if one.route[1] == "/calendar/{name}"]
    unfolded = "\n".join(feeds).replace("\r\n ", "")
    shown = silent.secrets.found_in(unfolded)

    assert unfolded.count("BEGIN:VEVENT") > 0
    assert set(shown.values()) == {"clinic_session.place"}


def test_no_refusal_holds_a_secret_whoever_asks_and_whatever_is_spoiled(silent):
    """Also of what was sent nothing but the part that is wrong goes back."""
    for side, asking in silent.sides.items():
        requests = good_requests(asking)
        people = silent.people if side == "unit" else silent.people_of_hub
        others = [MACHINE, *(people[role] for role in ASK_FOR_NOTHING)]
        asked = list(by_others(asking, others, requests))
        asked += spoiled(asking, silent.secrets, requests)

        refused = [one for one in asked if one.answer.status_code >= 400]
        assert len(refused) > 4 * len(requests)
        # A backup of that name is there: its sentence comes as one of the disk.
        broken = {one.route for one in asked if one.answer.status_code >= 500}
        assert broken - {("POST", "/api/backups")} == set()
        assert leaks(silent, asked) == []


@pytest.mark.parametrize("part", STORE_PARTS)
def test_no_secret_leaves_when_a_part_of_the_store_breaks(silent, monkeypatch, part):
    """The planted bug it has caught: the text of an error on the console."""
    for asking in silent.sides.values():
        word = silent.secrets.draw(f"broken {part}")
        with monkeypatch.context() as broken:
            broken.setattr(asking.unit.store, part, _Broken(word))
            asked = _ask_again(asking)
        assert [one for one in asked if one.answer.status_code >= 500]
        assert leaks(silent, asked) == []


class _Broken:
    """A part of the store of which every use fails with a secret in the words."""

    def __init__(self, word: str) -> None:
        self._word = word

    def __getattr__(self, name: str):
        raise ValueError(f"{self._word} in {name}")


@pytest.mark.parametrize(
    ("pragma", "back", "status"),
    [
        ("query_only = 1", "query_only = 0", 503),
        ("max_page_count = 1", "max_page_count = 4294967294", 507),
    ],
)
def test_no_secret_leaves_when_the_disk_refuses(silent, pragma, back, status):
    """The sentence is SQLite's and the store's own; what was to be written is not in it."""
    for asking in silent.sides.values():
        connection = asking.unit.store._database.connection
        connection.execute(f"PRAGMA {pragma}")
        try:
            asked = _ask_again(asking)
        finally:
            connection.execute(f"PRAGMA {back}")
        assert [one for one in asked if one.answer.status_code == status]
        assert leaks(silent, asked) == []


def _ask_again(asking: Asking) -> list[Asked]:
    return [again(asking, one) for one in good_requests(asking)]
