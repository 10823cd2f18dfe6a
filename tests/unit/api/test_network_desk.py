"""The hub's desk over HTTP, and what the unit's own desk shows of its quality."""

import pytest

from api.use_cases.server_role import settle_role
from tests.unit.api.clinic_story import Story
from tests.unit.api.desk_person import DeskPerson
from tests.unit.api.quality_records import tell_clean_unit
from tests.unit.api.standing_unit import NOON_MS, StandingUnit, assert_problem

MINUTE_MS = 60_000


@pytest.fixture
def desk(tmp_path):
    unit = StandingUnit(tmp_path / "served")
    settle_role(unit.store, as_hub=True)
    with unit.serving() as serving:
        yield serving


def test_the_desk_of_the_hub_asks_over_http(desk):
    """[DM-01] [DM-03] [DM-08] [DM-11]"""
    person = DeskPerson(desk, role="data-manager")
    person.log_in()

    assert person.ask("GET", "/api/network/fleet").json()["units"] == []
    assert len(person.ask("GET", "/api/network/quality").json()["rules"]) == 23
    files = person.ask("GET", "/api/network/rule-files").json()["files"]
    assert {"sizing/limits", "follow_up/default"} <= {one["file"] for one in files}
    changes = "/api/network/rule-file-changes?file=sizing/limits&old=1&new=2"
    assert len(person.ask("GET", changes).json()["sentences"]) == 5
    assert_problem(person.ask("GET", changes.replace("new=2", "new=9")), 422, "There is no rule")
    asked = person.ask("POST", "/api/network/exports", {"project": "P", "purpose": "Q"})
    [row] = asked.json()["exports"]
    assert (row["state"], row["may_decide"], row["manifest"]) == ("asked", False, None)
    decision = {"export": row["export"], "decision": "approve"}
    assert_problem(person.ask("POST", "/api/network/export-decisions", decision), 403, "second")
    other = DeskPerson(desk, "Piers Larkspire", role="auditor")
    other.log_in()
    assert_problem(other.ask("POST", "/api/network/export-decisions", decision), 403, "Fewer than")
    assert other.ask("GET", "/api/network/exports").json()["exports"][0]["may_decide"]
    missing = person.ask("GET", f"/api/network/export-files?export={row['export']}")
    assert_problem(missing, 403, "Nothing was made")
    sent = person.ask(
        "POST", "/api/network/rule-files", {"file": "sizing/limits", "version": 2, "because": "x"}
    )
    assert_problem(sent, 403, "comes with the program")


def test_the_unit_shows_its_own_quality_and_to_the_admin_counts_alone(tmp_path):
    """[DM-03] [AU5]"""
    with StandingUnit(tmp_path / "served").serving() as unit:
        story = Story(unit.store, device="tablet-a", now_ms=NOON_MS)
        tell_clean_unit(story)
        with unit.store.transaction():
            story.write("target/a", size={"long_axis_um": 9_000, "origin": "measured"})
        manager = DeskPerson(unit, "Pell Dunmorrow", role="data-manager")
        admin = DeskPerson(unit, role="unit-admin")
        told = {}
        for one in (manager, admin):
            one.log_in()
            told[one] = one.ask("GET", "/api/quality").json()
        offers = manager.ask("GET", "/api/rule-files/network").json()
        act = {"proposal": "network_rule_file/none", "act": "take"}
        refused = manager.ask("POST", "/api/rule-files/network", act)

    found = {one["rule"]: one["found"] for one in told[manager]["rules"]}
    assert found["size-missing"] == 1
    [row] = [one for one in told[manager]["to_mend"] if one["rule"] == "size-missing"]
    assert (row["record"], row["case"], row["number"]) == ("target/a", "case/a", "TH-a")
    assert told[admin]["to_mend"] == []
    assert told[admin]["rules"] == told[manager]["rules"]
    assert offers == {"proposals": []}
    assert_problem(refused, 403, "offers no")
