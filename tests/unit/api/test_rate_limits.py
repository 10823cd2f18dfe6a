"""How often may be asked: by devices, addresses and kinds, with a wait that is told."""

import asyncio

import httpx
import pytest

from api.routes.rate_limits import HOUR_MS, MINUTE_MS, MOST_BUCKETS, RATES, RateLimits
from api.use_cases.errors import TooManyTriesError
from tests.unit.api.standing_unit import assert_problem


class _Clock:
    ms = 1_000

    def __call__(self):
        return self.ms


@pytest.fixture
def clock():
    return _Clock()


@pytest.fixture
def limits(clock):
    return RateLimits(clock)


@pytest.mark.parametrize(
    ("kind", "asks", "in_ms"),
    [
        ("join", 3, MINUTE_MS),
        ("search", 60, MINUTE_MS),
        ("export", 5, HOUR_MS),
        ("login", 5, MINUTE_MS),
        ("login-source", 20, MINUTE_MS),
        ("login-account", 60, MINUTE_MS),
        ("login-own", 5, MINUTE_MS),
        ("join-asked", 30, MINUTE_MS),
        ("calculation", 600, MINUTE_MS),
    ],
)
def test_the_rates_that_are_asked_for(kind, asks, in_ms):
    """[SEC-06]."""
    assert RATES[kind] == (asks, in_ms)


@pytest.mark.parametrize("kind", sorted(RATES))
def test_a_bucket_gives_what_its_rate_allows_and_one_more_after_its_share_of_the_time(
    limits, clock, kind
):
    """[SEC-06] The planted bug it has caught: one ask more than the rate."""
    rate = RATES[kind]
    for _ in range(rate.asks):
        limits.spend(kind, "x")
    with pytest.raises(TooManyTriesError, match="Wait"):
        limits.spend(kind, "x")
    share = -(-rate.in_ms // rate.asks)
    clock.ms += share - 1
    if rate.in_ms % rate.asks == 0:
        with pytest.raises(TooManyTriesError):
            limits.spend(kind, "x")
    clock.ms += 1
    limits.spend(kind, "x")
    with pytest.raises(TooManyTriesError):
        limits.spend(kind, "x")


def test_each_asker_and_each_kind_has_a_bucket_of_its_own(limits):
    """[SEC-06]."""
    for _ in range(3):
        limits.spend("join", "one")
    limits.spend("join", "two")
    limits.spend("nonce", "one")


def test_who_asks_on_while_refused_waits_no_longer_for_it(limits, clock):
    """[SEC-06] The planted bug it has caught: refused asks that were taken out as well."""
    for _ in range(3):
        limits.spend("join", "x")
    for _ in range(50):
        with pytest.raises(TooManyTriesError):
            limits.spend("join", "x")
    clock.ms += 20_000

    limits.spend("join", "x")


def test_what_may_be_asked_again_is_told_in_seconds_and_in_minutes(limits):
    """[SEC-06]."""
    for _ in range(5):
        limits.spend("export", "x")
    with pytest.raises(TooManyTriesError, match="Wait 12 minutes") as refused:
        limits.spend("export", "x")
    assert refused.value.retry_after_s == 720


def test_looking_takes_nothing_out(limits):
    """[SEC-06]."""
    for _ in range(10):
        limits.refuse_if_spent("join", "x")
    for _ in range(3):
        limits.spend("join", "x")
    with pytest.raises(TooManyTriesError):
        limits.refuse_if_spent("join", "x")


def test_a_flood_of_addresses_takes_no_memory_without_end_and_frees_nobody_who_is_over(limits):
    """[SEC-06] The planted bug it has caught: every bucket thrown away once there were too many."""
    for _ in range(5):
        limits.spend("export", "busy")
    for number in range(2 * MOST_BUCKETS):
        limits.spend("nonce", f"address-{number}")

    assert len(limits._full_at) <= MOST_BUCKETS
    with pytest.raises(TooManyTriesError):
        limits.spend("export", "busy")


def test_a_device_that_asks_without_end_is_told_to_wait_and_others_go_on(unit, a, b):
    """[SEC-06] Headers that name another address change nothing."""
    limits = unit.client.app.state.surroundings.limits
    for _ in range(RATES["device"].asks - 1):
        limits.spend("device", "tablet-a")
    spoofed = {**a, "x-forwarded-for": "192.0.2.9", "forwarded": "for=192.0.2.9"}
    assert unit.pull(spoofed, "care").status_code == 200

    answer = unit.pull(spoofed, "care")

    assert_problem(answer, 429, "asked too often")
    assert answer.headers["retry-after"] == "1"
    assert unit.pull(b, "care").status_code == 200
    unit.environment.moved["ms"] += 1_000
    assert unit.pull(a, "care").status_code == 200


def test_a_search_has_a_rate_of_its_own(unit, a):
    """[SEC-06]."""
    asked = {"lots": ["VK1"], "from_on": "2026-01-01", "to_on": "2026-03-01"}
    statuses = [
        unit.client.post("/api/implants/find", json=asked, headers=a).status_code
        for _ in range(RATES["search"].asks + 1)
    ]

    assert statuses[-1] == 429
    assert 429 not in statuses[:-1]


@pytest.mark.parametrize(
    ("path", "status"),
    [("/api/cases/export", 200), ("/api/fhir/visits", 200), ("/api/fhir/case/c-1", 422)],
)
def test_an_export_has_a_rate_of_its_own(unit, a, path, status):
    """[SEC-06] One case after another is an export as well.

    The planted bug it has caught: cases one by one at the rate of every other request.
    """
    statuses = [
        unit.client.get(path, headers=a).status_code for _ in range(RATES["export"].asks + 1)
    ]

    assert statuses == [status] * RATES["export"].asks + [429]
    assert unit.pull(a, "care").status_code == 200


def test_calculations_are_limited_by_source(unit):
    """[SEC-06] Caught: anybody had 1,500 answers in three seconds, and could have gone on."""
    given = {"scanned": "(01)00000000000000", "today_on": "2026-03-16"}

    def ask(source):
        return _ask_from(unit.client.app, source, "/api/calculate/device-label", given)

    statuses = [ask("192.0.2.7").status_code for _ in range(RATES["calculation"].asks + 2)]
    assert 429 not in statuses[:-2]
    refused = ask("192.0.2.7")
    assert statuses[-2:] == [429, 429]
    assert_problem(refused, 429, "Wait")
    assert int(refused.headers["retry-after"]) >= 1
    # A ward elsewhere is not held up, and this one goes on after a moment.
    assert ask("192.0.2.8").status_code != 429
    unit.environment.moved["ms"] += 200
    assert ask("192.0.2.7").status_code != 429


def _ask_from(app, source, path, content):
    """Ask over a line from an address."""

    async def ask():
        carrier = httpx.ASGITransport(app, client=(source, 50_000))
        async with httpx.AsyncClient(transport=carrier, base_url="http://unit.test") as client:
            return await client.post(path, json=content)

    return asyncio.run(ask())
