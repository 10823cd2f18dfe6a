"""The search of lots over HTTP: for devices that read care, kept, and refused in one sentence."""

import base64
import io

import pypdf
import pytest

from tests.unit.api.standing_unit import StandingUnit, Writer, assert_problem, texts
from tests.unit.api.test_letters import propose, settings_file

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


def test_letters_are_carried_as_pdf_and_the_search_of_the_tablet_stays_one(unit):
    """[HAZ-45] [HAZ-46] Asked again for letters, with the entry by which the tablet keeps it."""
    propose(unit.store, settings_file())
    headers = unit.join("tablet-a")
    writer = Writer("tablet-a")
    patient = writer.write(
        "patient/p-1",
        "booking",
        set={"family_name": "Vareth", "local_id": "TH-1", "address": "1 Quay Street"},
    )
    case = writer.write("case/c-1", set={"patient": "patient/p-1"})
    coil = writer.write("coil_placed/k-1", set={"case": "case/c-1", "device": {"lot": "VK4417"}})
    unit.push(headers, "tablet-a", texts(patient, case, coil))
    asked = {**ASKED, "entry": "lot_search/t-1"}

    plain = unit.client.post("/api/implants/find", json=asked, headers=headers).json()
    told = unit.client.post(
        "/api/implants/find", json={**asked, "with_pdf": True}, headers=headers
    ).json()

    assert plain["letters"] is None
    assert [one["withheld"] for one in told["letters"]["letters"]] == [""]
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(told["letters"]["pdf"]))).pages
    assert "1 Quay Street" in pages[0].extract_text()
    assert [one["page"] for one in told["letters"]["letters"]] == [1]
    with unit.store.transaction():
        assert [one.record for one in unit.store.views.of_kind("lot_search")] == ["lot_search/t-1"]


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
