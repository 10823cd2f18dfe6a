"""Every clinical check is either run by both languages or listed with the reason why not."""

import hashlib
import json
import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
CONFORMANCE = ROOT / "tests/conformance"
RUNNERS = {
    "clinical_checks.json": "clinical-checks.test.ts",
    "clinical_checks_sizing.json": "clinical-checks-sizing.test.ts",
}
COUNT = 119
SHA_256 = "801aaeecd619f00f53cd79b6d6b8d7a2d922db7bcdb80fb933c828e27b28b09b"


def _all() -> list[str]:
    return json.loads((CONFORMANCE / "clinical_check_ids.json").read_text())


def _taken() -> list[str]:
    return [row["id"] for name in RUNNERS for row in json.loads((CONFORMANCE / name).read_text())]


def _listed() -> dict[str, str]:
    """Return each check that is not covered with its reason, from the table of the page."""
    page = (CONFORMANCE / "README.md").read_text()
    rows = re.findall(r"^\| ([A-Z0-9]+-\d\d(?:, [A-Z0-9]+-\d\d)*) \| (.+) \|$", page, re.MULTILINE)
    return {one: reason for names, reason in rows for one in names.split(", ")}


def test_the_list_of_clinical_checks_is_frozen():
    """Planted bug that this caught: an id taken off the list."""
    ids = sorted(_all())

    assert len(ids) == COUNT
    assert hashlib.sha256("\n".join(ids).encode()).hexdigest() == SHA_256


def test_every_clinical_check_is_taken_in_or_listed_with_its_reason():
    """Planted bugs that this caught: a row taken out of a file; a reason for a row taken in."""
    counted = Counter([*_taken(), *_listed()])

    assert sorted(counted) == sorted(_all())
    assert [one for one, times in counted.items() if times > 1] == []
    assert all(len(reason) > 20 for reason in _listed().values())


def test_each_file_of_checks_is_run_by_both_languages():
    """The runners read the whole file: no row can be left out by one of them."""
    for name, there in RUNNERS.items():
        here = ROOT / "tests/unit/api" / f"test_{name}".replace(".json", ".py")
        assert name in here.read_text()
        runner = (ROOT / "pwa/src/clinical-rules" / there).read_text()
        assert name in runner
        assert "test.each(rows)" in runner
