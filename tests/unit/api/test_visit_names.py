"""[FU15] What travels to the booking staff names no finding (FU-11, SEC-23)."""

import json

from api.storage.packaged_files import read_packaged_rule_files

FINDINGS = ("bleed", "fail", "adverse", "retreat", "oblit", "flow", "varic", "ev_", "beta", "embol")


def test_names_and_labels_of_visits_name_no_finding():
    rows = json.loads(read_packaged_rule_files()["follow_up/default.v3.json"])["rows"]

    assert len(rows) > 10
    for row in rows:
        for words in (row["visit"], row["label"]):
            assert [finding for finding in FINDINGS if finding in words.lower()] == [], words
