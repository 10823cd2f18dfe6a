"""Requests drawn from the described interface: how each is sent, and what no answer may be.

Both the single requests and the chains of them are judged here.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from schemathesis.checks import CHECKS, load_all_checks

from api.clinical_rules.examples import EXAMPLES
from api.documents.letter_words import LETTER_KINDS
from api.documents.paper import PAPER_KINDS
from api.record_catalogue.catalogue import REGISTRY
from api.routes.rate_limits import RateLimits
from api.storage import snapshots
from api.storage.unit_store import read_packaged_catalogue
from api.use_cases import people_passwords
from api.use_cases.answer_snapshot import seal_segments
from tests.safety.care_canaries import (
    CASE,
    LOT,
    PATIENT,
    VISIT,
    canaries_in,
    plant_canaries,
    read_out,
)
from tests.safety.told_groups import find_small_counts, find_somebody, is_of_own_unit
from tests.unit.api.standing_unit import StandingUnit
from tests.unit.api.test_letters import propose, settings_file

BASE = "http://testserver.local"
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
    "to_on": ["2026-04-30"],
    "language": ["en", "de"],
    "mix": [""],
    "unit": [""],
    "search": [{"lots": [LOT]}],
    "after": [0],
    "limit": [100],
    "scope": ["place"],
    "tip": [{"epoch": "ep01", "counter": 0, "hash": ""}],
}
load_all_checks()
_CONFORM = CHECKS.get_by_names(["not_a_server_error", "response_schema_conformance"])
# Who logs out is nobody afterwards; an open line of events ends with the bell.
LEFT_OUT = {("delete", "/api/session")}
# Words that care has too and that name no finding: of clocks, hashes, files and answers.
_GENERAL = {
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
    return care - others - _GENERAL


_CLINICAL_KEYS = re.compile(
    r'\\?"(' + "|".join(sorted(map(re.escape, clinical_names()))) + r')\\?"\s*:'
)


# Names that a route has of its own, where care has them for something else.
_OWN_WORDS = {
    # Which of two events came first, and what is counted: of a group, not of a patient.
    "/api/outcomes": ("cause", "amount"),
    # How a unit and its hub exchange.
    **dict.fromkeys(("/api/network/fleet", "/api/devices", "/api/unit-devices"), ("protocol",)),
    # What a unit answers its hub.
    "/api/recalls/network": ("answer",),
    "/api/recalls/network-closings": ("answer",),
    "/api/links/network": ("answer",),
    "/api/network/recalls": ("answer",),
    "/api/network/recall-ends": ("answer",),
    "/api/network/links": ("answer", "answers"),
    "/api/network/link-acts": ("answer", "answers"),
    "/api/network/rule-files": ("answer",),
    # The text of a rule file: limits and notes of a release, nothing of a patient.
    "/api/network/rule-file-text": ("amount", "note", "item"),
    "/api/network/rule-file-drafts": ("answer",),
    "/api/network/rule-file-approvals": ("answer",),
    "/api/network/rule-file-withdrawals": ("answer",),
}
# Whom a data manager calls for a recall of the network, which is the written reason [HAZ-46].
_OF_A_RECALL = {
    *("number", "name", "born_on", "patient", "case", "record", "recorded_on", "marks", "site"),
    *("group", "differs", "item", "what", "fate", "on_day", "stock"),
    *("identifier", "lot", "serial", "expires_on"),
}


@contextmanager
def serving_at_any_pace(
    folder: Path, *, as_hub: bool = False, database: str = "", log_folder: Path | None = None
) -> Iterator[StandingUnit]:
    """Serve while nobody is told to wait and passwords cost little; both are proved elsewhere."""
    with (
        pytest.MonkeyPatch.context() as patch,
        StandingUnit(folder, as_hub=as_hub, database=database).serving(
            log_folder=log_folder
        ) as standing,
    ):
        patch.setattr(RateLimits, "spend", lambda *_: None)
        patch.setattr(people_passwords, "_MEMORY_KIB", 64)
        standing.client.app.state.surroundings.bell.close()
        yield standing


@contextmanager
def planted_unit(folder: Path) -> Iterator[StandingUnit]:
    """Serve a unit whose every care field holds a canary, with letters and sealed segments."""
    with pytest.MonkeyPatch.context() as patch, serving_at_any_pace(folder) as standing:
        patch.setattr(snapshots, "SEGMENT_OPERATIONS", 4)
        propose(standing.store, settings_file())
        plant_canaries(standing.store)
        assert seal_segments(standing.store, "care") > 0
        yield standing


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


def send(ask, case) -> Any:
    """Send a drawn request as somebody and return the answer."""
    sent = case.as_transport_kwargs(base_url=BASE)
    path = sent["url"].removeprefix(BASE)
    content = {name: sent[name] for name in ("json", "data") if sent.get(name) is not None}
    if "data" in content:
        content = {"content": content["data"]}
    headers = {"content-type": case.media_type} if case.media_type and content else {}
    return ask(case.method, path, params=sent.get("params") or {}, headers=headers, **content)


def judge_sound(case, answer) -> None:
    """Refuse a server error, a problem that is no sentence, and what the description denies."""
    asked = f"{case.method} {case.path}"
    assert answer.status_code < 500, f"{asked}: {answer.text}"
    if answer.status_code >= 400:
        problem = answer.json()
        assert answer.headers["content-type"] == "application/problem+json", asked
        assert problem["status"] == answer.status_code
        assert problem["detail"].endswith("."), asked
    else:
        case.validate_response(answer, checks=_CONFORM)


def judge_without_care(asker: str, asked: str, answer) -> None:
    """Refuse a canary or the name of a clinical field in what somebody without care is told."""
    if (asker, asked) == ("data-manager", "POST /api/patient-exports"):
        # Given for a reason that is written down: `test_no_care_byte`.
        return
    path = asked.split(" ")[1]
    if asker == "data-manager" and path.startswith("/api/recalls/network"):
        _judge_recalled(answer)
        return
    said = read_out(answer)
    assert canaries_in(said) == [], f"{asked} tells {', '.join(canaries_in(said))}"
    if asked == "GET /api/outcomes" and answer.status_code == 200:
        told = answer.json()
        assert is_of_own_unit(told) or find_small_counts(told) == []
        assert find_somebody(told) == []
    # What is calculated comes from what is sent along; the store is not asked.
    if "/api/calculate/" not in asked:
        names = set(_CLINICAL_KEYS.findall(said)) - {*_OWN_WORDS.get(path, ())}
        assert names == set(), f"{asked} tells {', '.join(sorted(names))}"


def _judge_recalled(answer) -> None:
    """Refuse more of a patient than who is to be called, and about which device: for a recall."""
    assert answer.status_code != 200 or all(
        set(row) <= _OF_A_RECALL for one in answer.json()["notices"] for row in one["rows"]
    )
