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
    changes = "/api/network/rule-file-changes?file=sizing/limits&version=1"
    told = person.ask("GET", changes).json()
    assert (told["against"]["version"], told["against"]["standing"]) == (2, "built-in")
    assert len(told["sentences"]) == 5
    assert_problem(person.ask("GET", f"{changes}9"), 422, "There is no rule")
    asked = person.ask("POST", "/api/network/exports", {"project": "P", "purpose": "Q"})
    [row] = asked.json()["exports"]
    assert (row["state"], row["may_decide"], row["manifest"]) == ("asked", False, None)
    outlook = person.ask("GET", f"/api/network/export-outlook?export={row['export']}").json()
    assert (outlook["counts"], outlook["sentence"][:12]) == (None, "Fewer than 5")
    every = person.ask("GET", "/api/network/export-outlook").json()
    assert every["tables"] == outlook["tables"]
    gone = person.ask("GET", "/api/network/export-outlook?export=nobody")
    assert_problem(gone, 403, "There is no export")
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


def _list_of(answer):
    """Return the version 1001 of the limits as the hub lists it."""
    assert answer.status_code == 200, answer.text
    files = {one["file"]: one["versions"] for one in answer.json()["files"]}
    (found,) = [one for one in files["sizing/limits"] if one["version"] == 1001]
    return found


def test_a_version_is_written_approved_sent_and_withdrawn_at_the_desk_of_the_hub(desk):
    """[DM-11] [HAZ-10] [WD7] [WD8] Caught: all of it was for commands alone.

    Whoever may not is told who may; the endoscopist approves and sends nothing.
    """
    nell = DeskPerson(desk, "Nell Ashgrove", role="data-manager")
    corin = DeskPerson(desk, "Corin Blackmere", role="data-manager")
    isolde = DeskPerson(desk, "Isolde Fenmarch", role="endoscopist")
    clerk = DeskPerson(desk, "Imelda Larkwater", role="auditor")
    for one in (nell, corin, isolde, clerk):
        one.log_in()
    network = "/api/network/rule-file"
    version = {"file": "sizing/limits", "version": 1001}

    begun = nell.ask("GET", f"{network}-text?file=sizing/limits").json()
    assert (begun["version"], begun["based_on"]["standing"]) == (1001, "built-in")
    text = begun["text"].replace(
        '"soft_limit_ul", "amount": 4000', '"soft_limit_ul", "amount": 3000'
    )
    faulty = text.replace('"loop_low_per_mille"', '"loop_lo"').replace(
        '"amount": 2000, "source": "project default; 23',
        '"amount": -1, "source": "project default; 23',
    )
    told = nell.ask("POST", f"{network}-checks", {"text": faulty}).json()
    assert told["changes"] is None
    assert ["row 3 cannot be read" in one for one in told["faults"]] == [True]
    told = nell.ask("POST", f"{network}-checks", {"text": faulty.replace("-1", "1")}).json()
    assert told["faults"] == [
        "Rule file sizing/limits.v1001.json has no row loop_low_per_mille, which version 2 has. "
        "Add it."
    ]
    (change,) = nell.ask("POST", f"{network}-checks", {"text": text}).json()["changes"]["sentences"]
    assert change == "Adhesive (pure) in a session, limit of caution changes from 4 mL to 3 mL."

    assert_problem(isolde.ask("POST", f"{network}-drafts", {"text": text}), 403, "data manager")
    assert_problem(nell.ask("POST", f"{network}-drafts", {"text": faulty}), 403, "row 3")
    laid = _list_of(nell.ask("POST", f"{network}-drafts", {"text": text}))
    assert (laid["people_missing"], laid["needs_endoscopist"]) == (2, True)
    again = nell.ask("POST", f"{network}-checks", {"text": text}).json()["faults"]
    assert again == [
        "Rule file sizing/limits version 1001 is there already and never changes. "
        "Give yours the next version."
    ]
    for one in (nell, corin):
        laid = _list_of(one.ask("POST", f"{network}-approvals", version))
    assert (laid["standing"], laid["people_missing"], laid["needs_endoscopist"]) == (
        "draft",
        0,
        True,
    )
    sending = version | {"because": "Agreed"}
    refused = nell.ask("POST", f"{network}s", sending)
    assert_problem(refused, 403, "Two people approve it first, one of them an endoscopist")
    assert_problem(clerk.ask("POST", f"{network}-approvals", version), 403, "one of them an endosc")
    laid = _list_of(isolde.ask("POST", f"{network}-approvals", version))
    assert (laid["standing"], laid["may_send"], laid["needs_endoscopist"]) == (
        "in force",
        True,
        False,
    )
    assert_problem(isolde.ask("POST", f"{network}s", sending), 403, "sent and withdrawn by the hub")
    assert _list_of(nell.ask("POST", f"{network}s", sending))["is_sent"]
    assert_problem(isolde.ask("POST", f"{network}-withdrawals", sending), 403, "data manager")
    gone = nell.ask("POST", f"{network}-withdrawals", sending)
    assert (_list_of(gone)["is_withdrawn"], _list_of(gone)["may_send"]) == (True, True)
    assert gone.json()["sent"][0]["withdrawn_because"] == "Agreed"


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
        refused = [
            manager.ask(
                "POST",
                "/api/rule-files/network",
                {"proposal": "network_rule_file/none", "act": act, "because": "It is ours"},
            )
            for act in ("take", "set-aside", "approve", "retire")
        ]

    found = {one["rule"]: one["found"] for one in told[manager]["rules"]}
    assert found["size-missing"] == 1
    [row] = [one for one in told[manager]["to_mend"] if one["rule"] == "size-missing"]
    assert (row["record"], row["case"], row["number"]) == ("target/a", "case/a", "TH-a")
    assert told[admin]["to_mend"] == []
    assert told[admin]["rules"] == told[manager]["rules"]
    assert offers == {"proposals": []}
    for one in refused:
        assert_problem(one, 403, "offers no")
