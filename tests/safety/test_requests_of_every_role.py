"""[SEC-21] [SEC-22] [FU-11] Requests drawn from the described interface, by every role.

Whatever is sent, no answer is a server error, each one is as the description says or is problem
details in one sentence, and who has no business with care sees neither a word nor a field of it.
`REQUESTS` draws more (`make soak`).
"""

import hashlib
import os
import re
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis.checks import CHECKS, load_all_checks

from api.clinical_rules.examples import EXAMPLES
from api.documents.letter_words import LETTER_KINDS
from api.documents.paper import PAPER_KINDS
from api.record_catalogue.catalogue import REGISTRY
from api.routes.rate_limits import RateLimits
from api.storage import snapshots
from api.storage.unit_store import read_packaged_catalogue
from api.use_cases.answer_snapshot import seal_segments
from tests.safety.care_canaries import (
    CASE,
    LOT,
    PATIENT,
    PICTURE,
    READ_NO_CARE,
    VISIT,
    canaries_in,
    plant_canaries,
    read_out,
)
from tests.safety.test_access_matrix import ask_as
from tests.safety.told_groups import find_small_counts, find_somebody, is_of_own_unit
from tests.unit.api.standing_unit import StandingUnit
from tests.unit.api.test_letters import propose, settings_file

REQUESTS = int(os.environ.get("REQUESTS", "3"))
CLINICAL = ("bedside",)
PICTURE_DIGEST = hashlib.sha256(PICTURE).hexdigest()
KNOWN: dict[str, list[Any]] = {
    "stream": ["care", "booking", "unit"],
    "record": [CASE, PATIENT, "picture/i-1"],
    "case": ["c-1"],
    "document": list(PAPER_KINDS),
    "kind": [*EXAMPLES, *LETTER_KINDS],
    "visits": [[VISIT]],
    "patient": [PATIENT],
    "place": ["Room 4", "Zimmer \u0394"],
    "from_on": ["2026-03-01"],
    "today_on": ["2026-03-16"],
    "until_on": ["2026-04-30"],
    "language": ["en", "de"],
    "search": [{"lots": [LOT]}],
    "after": [0],
    "limit": [100],
    "scope": ["place"],
    "tip": [{"epoch": "ep01", "counter": 0, "hash": ""}],
}
load_all_checks()
CONFORM = CHECKS.get_by_names(["not_a_server_error", "response_schema_conformance"])
# Who logs out is nobody afterwards; an open line of events ends with the bell.
# Words that care has too and that name no finding: of clocks, hashes, files and answers.
GENERAL = {
    "about",
    "bytes",
    "digest",
    "document",
    "from",
    "language",
    "media_type",
    "number",
    "order",
    "outcome",
    "seen",
    "size",
    "source",
    "to",
    "unit",
    "wall_ms",
}
LEFT_OUT = {("delete", "/api/session")}


def clinical_names() -> set[str]:
    """Return the names of care kinds and fields that no other stream has."""

    def names(fields):
        for field in fields:
            one = field if isinstance(field, dict) else {"id": field.id, "fields": field.fields}
            yield one["id"]
            yield from names(one.get("fields", ()))

    care, others = set(), set()
    for kind in read_packaged_catalogue().kinds.values():
        # What the network is told bears names of care: they stay clinical.
        if kind.stream != REGISTRY:
            into = care if kind.stream == "care" else others
            into.update((kind.id, *names(kind.fields)))
    return care - others - GENERAL


CLINICAL_KEYS = re.compile(
    r'\\?"(' + "|".join(sorted(map(re.escape, clinical_names()))) + r')\\?"\s*:'
)


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    with (
        pytest.MonkeyPatch.context() as patch,
        StandingUnit(tmp_path_factory.mktemp("roles") / "unit").serving() as standing,
    ):
        patch.setattr(snapshots, "SEGMENT_OPERATIONS", 4)
        # How often somebody may ask is proved elsewhere; here many ask much.
        patch.setattr(RateLimits, "spend", lambda *_: None)
        propose(standing.store, settings_file())
        plant_canaries(standing.store)
        assert seal_segments(standing.store, "care") > 0
        standing.client.app.state.surroundings.bell.close()
        yield standing


@pytest.fixture(scope="module")
def described(unit):
    """Return every operation of the description, as strategies."""
    schema = schemathesis.openapi.from_dict(unit.client.get("/schema/openapi.json").json())
    operations = [found.ok() for found in schema.get_all_operations()]
    kept = [one for one in operations if (one.method.lower(), one.path) not in LEFT_OUT]
    assert len(kept) > 40
    return kept


def name_what_is_there(case, known: dict[str, list[Any]], pick: int) -> None:
    """Put names of the unit in the place of drawn ones, most of the time: a drawn one finds none.

    What no schema describes as such stays as it was drawn.
    """
    body = case.body if isinstance(case.body, dict) else {}
    for place in (case.path_parameters or {}, case.query or {}, body):
        for at, name in enumerate(sorted(place)):
            choices = known.get(name, [])
            chosen = (pick // (at + 1)) % (len(choices) + 1)
            if chosen < len(choices):
                place[name] = choices[chosen]


def _send(ask, case) -> Any:
    sent = case.as_transport_kwargs(base_url="http://testserver.local")
    path = sent["url"].removeprefix("http://testserver.local")
    content = {name: sent[name] for name in ("json", "data") if sent.get(name) is not None}
    if "data" in content:
        content = {"content": content["data"]}
    headers = {"content-type": case.media_type} if case.media_type and content else {}
    return ask(case.method, path, params=sent.get("params") or {}, headers=headers, **content)


def _play(unit, described, asker: str, judge) -> None:
    """Send some requests of every operation as somebody, and judge each answer."""
    ask = ask_as(unit, asker)
    with unit.store.transaction():
        segments = [one.digest for one in unit.store.snapshots.segments("care")]
    known = KNOWN | {"device": [f"{asker}-1"], "digest": [PICTURE_DIGEST, *segments]}
    for operation in described:

        @seed(20261126)
        @settings(
            max_examples=REQUESTS,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), pick=st.integers(0, 9_999))
        def play(case, pick):
            unit.environment.moved["ms"] += 5_000
            name_what_is_there(case, known, pick)
            answer = _send(ask, case)
            asked = f"{case.method} {case.path}"
            assert answer.status_code < 500, f"{asked}: {answer.text}"
            if answer.status_code >= 400:
                problem = answer.json()
                assert answer.headers["content-type"] == "application/problem+json", asked
                assert problem["status"] == answer.status_code
                assert problem["detail"].endswith("."), asked
            else:
                case.validate_response(answer, checks=CONFORM)
            judge(asked, answer)

        play()


@pytest.mark.parametrize("asker", CLINICAL)
def test_nothing_that_a_tablet_sends_breaks_the_server(unit, described, asker):
    """Planted and caught, each: the forks of the health as text where a number is described; a
    break where the end of a period is left out.
    """
    _play(unit, described, asker, lambda asked, answer: None)


@pytest.mark.parametrize("asker", READ_NO_CARE)
def test_no_request_brings_care_to_who_reads_none(unit, described, asker):
    """Planted and caught: a pull of care for a booking desk."""

    def judge(asked, answer):
        if (asker, asked) == ("data-manager", "POST /api/patient-exports"):
            # Given for a reason that is written down: `test_no_care_byte`.
            return
        said = read_out(answer)
        assert canaries_in(said) == [], asked
        if asked == "GET /api/outcomes" and answer.status_code == 200:
            told = answer.json()
            assert is_of_own_unit(told) or find_small_counts(told) == []
            assert find_somebody(told) == []
            # Which of two events came first, and what is counted: of a group, not of a patient.
            said = said.replace('"cause":', "").replace('"amount":', "")
        # What is calculated comes from what is sent along; the store is not asked.
        if "/api/calculate/" not in asked:
            assert CLINICAL_KEYS.findall(said) == [], asked

    _play(unit, described, asker, judge)
