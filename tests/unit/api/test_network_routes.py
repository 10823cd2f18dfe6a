"""Links and recalls of a network over HTTP, at the hub and at a unit: who may, and what is told."""

import csv
import io

import pytest

from api.linkage.person_traits import Person
from api.use_cases.link_patients import name_link
from tests.unit.api.clinic_story import Story
from tests.unit.api.desk_person import DeskPerson, events
from tests.unit.api.network_hub import FEN, TARN, NetworkHub
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, assert_problem

ODETE = Person(id="", family_name="Marrowick", given_name="Odete", born_on="1957-08-03")
CRITERIA = {"lots": ["VK4417"]}
NOTICE = {"criteria": CRITERIA, "reason": "Coil may break", "issued_on": "2026-03-10"}


@pytest.fixture
def hub(tmp_path):
    with StandingUnit(tmp_path / "hub", as_hub=True).serving() as serving:
        serving.network = NetworkHub(serving.store)
        yield serving


@pytest.fixture
def unit(tmp_path):
    with StandingUnit(tmp_path / "unit").serving() as serving:
        yield serving


def _logged_in(server, role, name="Ida Norrwood"):
    person = DeskPerson(server, name, role)
    assert person.log_in().status_code == 201
    return person


@pytest.fixture
def link(hub):
    network = hub.network
    records = [network.patient(TARN, "a", ODETE), network.patient(FEN, "b", ODETE)]
    network.tend()
    return name_link(*records)


def test_two_people_of_the_hub_join_and_two_part(hub, link):
    """[HAZ-41] [HAZ-42] One after the other by their own log-ins; each act stands in the trail."""
    first = _logged_in(hub, "data-manager")
    second = _logged_in(hub, "data-manager", "Juno Marrowby")

    told = first.ask("GET", "/api/network/links").json()
    assert (told["open"], told["more"]) == (1, False)
    assert [one["link"] for one in told["links"]] == [link]
    shown = told["links"][0]
    assert (shown["a"]["unit_name"], shown["b"]["unit_name"]) == ("Tarn Hollow", "Marlow Fen")
    assert shown["may_agree"] is True
    agree = {"link": link, "act": "agree", "because": ""}
    answer = first.ask("POST", "/api/network/link-acts", agree)
    assert (answer.status_code, answer.json()["link"]["state"]) == (200, "proposed")
    assert_problem(first.ask("POST", "/api/network/link-acts", agree), 403, "second person")
    joined = second.ask("POST", "/api/network/link-acts", agree).json()["link"]
    assert joined["state"] == "joined"
    assert [one["name"] for one in joined["agreed"]] == ["Ida Norrwood", "Juno Marrowby"]
    part = {"link": link, "act": "part", "because": "joined-in-error"}
    asked = second.ask("POST", "/api/network/link-acts", part).json()["link"]
    assert (asked["state"], asked["may_part"], asked["may_take_back"]) == ("joined", False, True)
    assert asked["weighing"]["sum_tenths"] > asked["weighing"]["shown_from_tenths"]
    assert first.ask("POST", "/api/network/link-acts", part).json()["link"]["state"] == "parted"
    assert first.ask("GET", "/api/network/links?state=parted").json()["links"][0]["link"] == link
    reopen = {"link": link, "act": "reopen", "because": "decided-in-error"}
    opened = first.ask("POST", "/api/network/link-acts", reopen).json()["link"]
    assert (opened["state"], opened["agreed"], opened["parting"]) == ("proposed", [], [])
    assert [verb for verb, _, _ in events(hub, "network-links")] == [
        *("read", "agree", "agree", "agree", "part", "part", "read", "reopen")
    ]
    wrong = {"link": link, "act": "part", "because": "I think so"}
    assert_problem(second.ask("POST", "/api/network/link-acts", wrong), 422, "joined-in-error")


def test_recalls_are_written_counted_withdrawn_and_handed_out_as_csv(hub):
    manager = _logged_in(hub, "data-manager")
    hub.network.write(TARN, "registry_implant/i", case="registry_case/c", item="coil", count=3)

    counted = manager.ask("POST", "/api/network/recall-counts", {"criteria": CRITERIA}).json()
    assert {one["name"]: one["unknown"] for one in counted["units"]} == {
        "Lowmoor": 0,
        "Marlow Fen": 0,
        "Tarn Hollow": 5,
    }
    with hub.store.transaction():
        noted = [one.why for one in hub.store.access.lines() if one.verb == "search"]
    assert noted == ['{"lots":["VK4417"]}'], "who counted is kept with what was counted by"
    told = manager.ask("POST", "/api/network/recalls", NOTICE).json()["notices"]
    assert [(one["state"], one["written_by_name"]) for one in told] == [
        ("in-force", "Ida Norrwood")
    ]
    notice = told[0]["notice"]
    assert [one["answer"] for one in told[0]["units"]] == ["none"] * 3
    sheet = manager.ask("GET", f"/api/network/recall-csv?notice={notice}")
    assert sheet.headers["content-type"].startswith("text/csv")
    assert len(list(csv.DictReader(io.StringIO(sheet.text)))) == 3
    end = {"notice": notice, "because": "taken back"}
    after = manager.ask("POST", "/api/network/recall-ends", end).json()["notices"]
    assert (after[0]["state"], after[0]["because"]) == ("withdrawn", "taken back")
    nothing = {**NOTICE, "criteria": {}}
    assert_problem(manager.ask("POST", "/api/network/recalls", nothing), 422, "names nothing")
    serial = {**NOTICE, "criteria": {"serial": "SN-1"}}
    assert_problem(manager.ask("POST", "/api/network/recalls", serial), 422, "serial")


def test_at_the_hub_others_have_neither(hub, link):
    """[SEC-22]"""
    for role in ("unit-admin", "auditor", "endoscopist"):
        person = _logged_in(hub, role, f"Ada {role}")
        assert_problem(person.ask("GET", "/api/network/links"), 403)
        assert_problem(person.ask("GET", "/api/network/recalls"), 403)
        agree = {"link": link, "act": "agree", "because": ""}
        assert_problem(person.ask("POST", "/api/network/link-acts", agree), 403)


def _recalled(unit):
    """Write a coil and a notice of the hub into a unit's store."""
    with unit.store.transaction():
        story = Story(unit.store, device="tablet-s", now_ms=NOON_MS)
        story.write("patient/p", family_name="Vareth", given_name="Ilo", local_id="TH-1")
        story.write("case/c", patient="patient/p", stage="closed")
        story.write("coil_placed/k", case="case/c", device={"lot": "VK4417"})
        told = Story(unit.store, device="hub", now_ms=NOON_MS)
        told.write(
            "network_recall/n",
            criteria=CRITERIA,
            reason="Coil may break",
            issued_on="2026-03-10",
            state="in-force",
            to=[],
        )
        return told


def test_a_unit_sees_whom_a_notice_touches_and_acknowledges_it(unit):
    """[HAZ-46] The unit admin acknowledges by counts and reads of no patient. [SEC-24]"""
    _recalled(unit)
    clinician = _logged_in(unit, "endoscopist")
    admin = _logged_in(unit, "unit-admin", "Juno Marrowby")
    assistant = _logged_in(unit, "assistant", "Runa Saltmere")

    (seen,) = clinician.ask("GET", "/api/recalls/network").json()["notices"]
    assert [(one["name"], one["group"]) for one in seen["rows"]] == [("Vareth, Ilo", "same")]
    touched = {"cases": 1, "patients": 1, "surely": 1, "surely_cases": 1}
    counted = {**touched, "unknown_lots": 0, "on_shelf": 0}
    assert seen["found"] == counted
    assert seen["answer"] == "none"
    (counts,) = admin.ask("GET", "/api/recalls/network").json()["notices"]
    assert (counts["rows"], counts["found"]["cases"]) == ([], 1)
    act = {"notice": "network_recall/n", "act": "acknowledge"}
    assert_problem(assistant.ask("POST", "/api/recalls/network", act), 403)
    (after,) = admin.ask("POST", "/api/recalls/network", act).json()["notices"]
    assert (after["answer"], after["rows"]) == ("searched", [])
    closing = {"notice": "network_recall/n", "seen": seen["seen"]}
    closings = "/api/recalls/network-closings"
    (closed,) = clinician.ask("POST", closings, closing).json()["notices"]
    assert closed["answer"] == "closed"
    assert ("acknowledge", "done", admin.staff) in events(unit, "recalls-here")
    with unit.store.transaction():
        (state,) = unit.store.views.of_kind("registry_recall_answer")
    assert {one.by for field in state.fields.values() for one in field.values} == {
        state.fields["unit"].values[0].value
    }


def test_who_sees_no_names_closes_no_notice_and_nobody_does_unseen(unit):
    """[HAZ-46] [SEC-24] [SEC-22]

    Caught: the unit admin, who is shown numbers alone, closed a notice over patients whom nobody
    had looked into, and so did whoever had acknowledged nothing.
    """
    _recalled(unit)
    admin = _logged_in(unit, "unit-admin", "Juno Marrowby")
    manager = _logged_in(unit, "data-manager")
    closings, listed = "/api/recalls/network-closings", "/api/recalls/network"
    (seen,) = admin.ask("GET", listed).json()["notices"]
    closing = {"notice": seen["notice"], "seen": seen["seen"]}

    assert_problem(manager.ask("POST", closings, closing), 403, "Acknowledge it, look at what")
    act = {"notice": seen["notice"], "act": "acknowledge"}
    assert admin.ask("POST", listed, act).status_code == 200
    assert_problem(admin.ask("POST", closings, closing), 403, "the data manager closes them")
    # As an app of before would ask it, and without what stood on the screen.
    assert admin.ask("POST", listed, {**act, "act": "close"}).status_code == 422
    assert manager.ask("POST", closings, {**closing, "seen": ""}).status_code == 422
    (still,) = manager.ask("GET", listed).json()["notices"]
    assert still["answer"] == "searched"
    assert ("close", "refused", admin.staff) in events(unit, "recalls-here")
    (closed,) = manager.ask("POST", closings, closing).json()["notices"]
    assert closed["answer"] == "closed"


def test_a_notice_that_nobody_can_search_by_is_acknowledged_all_the_same(unit):
    told = _recalled(unit)
    with unit.store.transaction():
        told.write("network_recall/n", criteria={}, item="coil")
    manager = _logged_in(unit, "data-manager")

    (seen,) = manager.ask("GET", "/api/recalls/network").json()["notices"]
    assert "names nothing to search by" in seen["sentence"]
    assert (seen["found"], seen["rows"]) == (None, [])
    act = {"notice": "network_recall/n", "act": "acknowledge"}
    (after,) = manager.ask("POST", "/api/recalls/network", act).json()["notices"]
    assert after["answer"] == "acknowledged"


def test_a_proposal_is_answered_by_a_clinician_alone(unit):
    """[HAZ-42] Without a patient of the unit it is nobody's business here."""
    manager = _logged_in(unit, "data-manager")
    clinician = _logged_in(unit, "endoscopist", "Juno Marrowby")
    answer = {"proposal": "network_link/x", "answer": "same"}

    assert manager.ask("GET", "/api/links/network").json() == {"proposals": []}
    assert_problem(manager.ask("POST", "/api/links/network", answer), 403, "endoscopist")
    refused = clinician.ask("POST", "/api/links/network", answer)
    assert_problem(refused, 403, "no patient of this unit")
