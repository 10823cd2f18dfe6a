"""After an erasure every list, paper and export goes on, and tells nothing of who was erased."""

from pathlib import Path

import pytest

from api.storage.device_store import Device
from api.use_cases.answer_pull import answer_pull
from api.use_cases.check_plans import check_every_plan
from api.use_cases.count_shelf import count_shelf
from api.use_cases.erase_records import Consent, erase_records
from api.use_cases.load_scenario import load_scenario
from api.use_cases.rule_health import count_rule_health
from api.use_cases.verify_log import verify_log
from sync.operation import decode_body
from tests.unit.api.desk_person import chance_of
from tests.unit.api.standing_unit import StandingUnit

STORIES = ("00_unit", "01_primary_prophylaxis")
SEEDS = Path(__file__).resolve().parents[3] / "seed_scenarios"
ROUTES = (
    "/api/conflicts",
    "/api/decisions",
    "/api/plan-checks",
    "/api/follow-up-measures",
    "/api/follow-up-check?now=true",
    "/api/clinic-weeks",
    "/api/stock",
    "/api/cases/export",
    "/api/fhir/visits",
    "/api/failsafe-list",
    "/api/failsafe-paper",
    "/api/closed-days",
    "/api/bookings/over",
    "/api/calendars",
)
TABLET = Device("reader", "reader", "bedside", None)


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path).serving() as serving:
        for name in STORIES:
            load_scenario(serving.store, name, (SEEDS / f"{name}.json").read_bytes())
        yield serving


def _words_about(store, records):
    """Return every longer text that was ever written in some records, ids and choices left out."""
    words = set()
    for operations in store.operations.of_records(records).values():
        for operation in operations:
            said = decode_body(operation.body_text).set
            for field in ("family_name", "given_name", "local_id", "phone", "serial"):
                if isinstance(said.get(field), str) and len(said[field]) > 3:
                    words.add(said[field])
    return words


def test_nothing_stops_and_nothing_is_told_of_who_was_erased(unit):
    """[ER4] [PRIV-03] The planted bugs it has caught: the report of an erased case printed empty;
    the patient listed without a name.
    """
    store = unit.store
    headers = unit.join("reader")
    with store.transaction():
        staff = [one.record for one in store.views.of_kind("staff")][:2]
        (patient, *_) = [one.record for one in store.views.of_kind("patient")]
        cases = [
            one.record
            for one in store.views.of_kind("case")
            if one.fields["patient"].values[-1].value == patient
        ]
        tree = store.erasures.tree_of([patient])
    words = _words_about(store, tree)
    assert cases
    assert words
    before = {path: unit.client.get(path, headers=headers) for path in ROUTES}
    assert {path: answer.status_code for path, answer in before.items()} == dict.fromkeys(
        ROUTES, 200
    )
    assert any(word in before["/api/cases/export"].text for word in words)

    erase_records(
        store,
        [patient],
        Consent(
            because="asked for",
            decided_by=staff[0],
            agreed_by=staff[1],
            also_implants="an invented patient",
        ),
        draw_chance=lambda: chance_of(unit),
    )

    for path in ROUTES:
        answer = unit.client.get(path, headers=headers)
        assert answer.status_code == 200, (path, answer.text)
        assert not [word for word in (*words, *cases) if word in answer.text], path
    found = unit.client.post(
        "/api/implants/find",
        json={"search": {"lots": ["L-1"]}, "by": staff[0], "because": "recall"},
        headers=headers,
    )
    assert found.status_code == 200, found.text
    case = cases[0].removeprefix("case/")
    for path in (f"/api/documents/procedure-report/{case}", f"/api/fhir/case/{case}"):
        answer = unit.client.get(path, headers=headers)
        assert answer.status_code == 422, answer.text
        assert "was erased" in answer.text
    check_every_plan(store)
    count_rule_health(store)
    count_shelf(store, on="2026-03-16")
    for stream in ("care", "booking", "unit"):
        page = answer_pull(store, TABLET, stream, after=0, limit=1000, with_own=True)
        text = str(page.operations)
        assert not [word for word in words if word in text], stream
    assert verify_log(store).findings == ()
