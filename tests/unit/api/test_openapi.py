"""The page of the interface: calculations are documented with examples that hold."""

import pytest

from api.clinical_rules.calculate import CALCULATIONS
from api.use_cases.answer_calculation import answer_calculation
from tests.unit.api.standing_unit import StandingUnit


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path).serving() as serving:
        yield serving


@pytest.fixture
def page(unit):
    answer = unit.client.get("/schema/openapi.json")
    assert answer.status_code == 200
    return answer.json()["paths"]["/api/calculate/{kind}"]["post"]


def _examples(content):
    return {name: one["value"] for name, one in content["examples"].items()}


def without_null(content):
    """Return content as the page writes it: the framework leaves out what is null."""
    if isinstance(content, dict):
        return {key: without_null(one) for key, one in content.items() if one is not None}
    return [without_null(one) for one in content] if isinstance(content, list) else content


def test_the_kinds_are_named(page):
    kind = next(one for one in page["parameters"] if one["name"] == "kind")

    assert kind["schema"]["enum"] == list(CALCULATIONS)


def test_every_kind_has_a_request_and_its_answer_and_the_server_gives_it(unit, page):
    """Each example is sent to the server as it stands on the page."""
    listed = page["requestBody"]["content"]["application/json"]["schema"]["examples"]
    requests = dict(zip(CALCULATIONS, listed, strict=True))
    answers = _examples(page["responses"]["200"]["content"]["application/json"])

    assert list(answers) == list(CALCULATIONS)
    for kind, request in requests.items():
        assert answers[kind] == without_null(answer_calculation(kind, request, on="2026-11-25"))
        given = unit.client.post(f"/api/calculate/{kind}", json=request)
        assert given.status_code == 200
        # The standing unit lives on another day than the page; rule files and numbers are alike.
        assert given.json() == answer_calculation(kind, request, on="2026-03-16")


def test_refusals_are_documented_as_problem_details(page):
    refused = _examples(page["responses"]["422"]["content"]["application/problem+json"])

    assert set(refused) == {"missing", "unknown key", "urgent"}
    assert all(one["status"] == 422 and one["detail"].endswith(".") for one in refused.values())
    assert refused["missing"]["answer"]["meld"] == {"missing": ["bilirubin", "creatinine"]}
    assert "colour is no known key" in refused["unknown key"]["detail"]
