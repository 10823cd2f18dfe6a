"""The steps left out are named as the protocol of the case names them, not as one that came later.

Caught: the name of the version in force today on the report of a case that took up an earlier one.
"""

import hashlib
import json

import msgspec
import pytest

from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import PROTOCOL
from api.documents.case_steps import steps_of
from api.documents.shown_case import ShownCase
from api.storage.packaged_files import read_packaged_rule_files
from tests.unit.api.paper_vectors import ON, shown_case

EARLIER, LATER = f"{PROTOCOL}.v1.json", f"{PROTOCOL}.v2.json"


def _book():
    """Return a book whose version in force names consent in another way."""
    contents = dict(read_packaged_rule_files())
    later = json.loads(contents[LATER])
    (consent,) = [row for row in later["rows"] if row["id"] == "consent"]
    consent["title"] = "Agreement"
    contents[LATER] = json.dumps(later).encode()
    return RuleBook(contents, on=ON), hashlib.sha256(contents[EARLIER]).hexdigest()


def _named(field, pinned):
    book, sha256 = _book()
    protocol = {"name": PROTOCOL, "version": 1, "sha256": sha256, **pinned}
    plan = {"request": {}, "answer": {}, "protocol": protocol}
    change = {
        "plan": {"itself.plan": plan},
        "unreadable plan": {"itself.plan": {"protocol": protocol}},
        "start": {"itself.plan": None, "itself.step_protocol": protocol},
        "neither": {"itself.plan": None},
    }[field]
    held = msgspec.convert(shown_case("closed_case", change), ShownCase)
    return steps_of(held, book)["consent"].title


@pytest.mark.parametrize("field", ["plan", "start"])
def test_a_step_has_the_name_of_the_protocol_that_the_case_took_up(field):
    """[HAZ-10] Taken up with the plan, or with the start where there was none."""
    assert _named(field, {}) == "Consent"


@pytest.mark.parametrize(
    ("field", "pinned"),
    [
        ("neither", {}),
        ("unreadable plan", {}),
        ("plan", {"sha256": "0" * 64}),
        ("plan", {"version": 9}),
        ("plan", {"version": "1"}),
        ("start", {"name": "step_protocols/another"}),
    ],
)
def test_what_is_not_held_here_gives_way_to_the_protocol_in_force(field, pinned):
    assert _named(field, pinned) == "Agreement"


def test_without_any_protocol_there_are_no_names_and_a_report_all_the_same():
    contents = dict(read_packaged_rule_files())
    listing = json.loads(contents["in_force.json"])
    listing["in_force"] = [one for one in listing["in_force"] if one["name"] != PROTOCOL]
    contents["in_force.json"] = json.dumps(listing).encode()
    held = msgspec.convert(shown_case("closed_case", {"itself.plan": None}), ShownCase)

    assert steps_of(held, RuleBook(contents, on=ON)) == {}
