"""The search of lots over HTTP: for devices that read care, kept, and refused in one sentence."""

import pytest

from tests.unit.api.standing_unit import StandingUnit, Writer, assert_problem, texts

ASKED = {"search": {"lots": ["VK4417"]}, "by": "staff/s-1", "because": "Recall notice"}


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path).serving() as serving:
        yield serving


def test_a_bedside_device_is_answered_and_the_search_is_kept(unit):
    """[HAZ-46] With whom to write to where that is asked for."""
    headers = unit.join("tablet-a")
    coil = Writer("tablet-a").write(
        "coil_placed/k-1", set={"case": "case/c-1", "device": {"lot": "VK44I7"}}
    )
    unit.push(headers, "tablet-a", texts(coil))

    answer = unit.client.post(
        "/api/implants/find", json={**ASKED, "with_letters": True}, headers=headers
    )

    assert answer.status_code == 200
    told = answer.json()
    assert [(one["record"], one["group"]) for one in told["found"]["implants"]] == [
        ("coil_placed/k-1", "alike")
    ]
    assert told["letters"]["letters"][0]["withheld"].startswith("The record does not say")
    with unit.store.transaction():
        assert len(unit.store.views.of_kind("lot_search")) == 1


def test_who_may_not_and_what_cannot_be_searched_is_refused(unit):
    """[FU-11]."""
    tablet, desk = unit.join("tablet-a"), unit.join("desk-a", "booking")
    for headers, asked, status in (
        (desk, ASKED, 403),
        ({}, ASKED, 401),
        (tablet, {**ASKED, "search": {}}, 422),
        (tablet, {**ASKED, "by": "somebody"}, 403),
        (tablet, {**ASKED, "because": ""}, 422),
    ):
        answer = unit.client.post("/api/implants/find", json=asked, headers=headers)
        assert_problem(answer, status)
    with unit.store.transaction():
        assert unit.store.views.of_kind("lot_search") == []
