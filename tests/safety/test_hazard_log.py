"""The safety log is whole: each hazard once, each proof there, each gap with its place."""

import re
import tomllib
from pathlib import Path

import pytest

from tests.safety import named_tests
from tests.safety.named_tests import find_test, read_vitest_names

LOG = Path(__file__).with_name("hazards.toml")
HAZARDS = tomllib.loads(LOG.read_text(encoding="utf-8"))
IDS = [f"HAZ-{number:02}" for number in range(1, 53)]
KEYS = {"title", "severity", "chance", "control", "proof", "standing", "why", "uncited"}
PLACES = (
    "procedure room",
    "clinic",
    "implants and documents",
    "access",
    "hub",
    "language",
)


def faults_of(name: str, hazard: dict[str, object]) -> list[str]:
    """Return sentences on what is wrong with one entry of the log."""
    found = [f"{name} has the unknown key {key}." for key in sorted(set(hazard) - KEYS)]
    proof = list(hazard.get("proof", []))
    uncited = dict(hazard.get("uncited", {}))
    standing, why = hazard.get("standing"), str(hazard.get("why", ""))
    found += [
        f"{name} needs a {key} in words."
        for key in ("title", "control")
        if not re.fullmatch(r"[A-Z].{9,}", str(hazard.get(key, "")))
    ]
    if not str(hazard.get("control", "")).endswith("."):
        found.append(f"{name}: the control is one sentence.")
    if hazard.get("severity") not in (1, 2, 3, 4, 5) or hazard.get("chance") not in "HML":
        found.append(f"{name} needs a severity of 1 to 5 and a chance of H, M or L.")
    if standing not in ("proven", "part", "later"):
        found.append(f"{name} stands as {standing!r}.")
    if standing in ("proven", "part") and not proof:
        found.append(f"{name} is called {standing} and names no test.")
    if standing == "proven" and why:
        found.append(f"{name} is called proven and lacks something.")
    if standing != "proven" and not any(place in why for place in PLACES):
        found.append(f"{name} does not say what is missing and where it belongs.")
    for named in proof:
        said = find_test(named)
        if said is None:
            found.append(f"{name}: there is no such passing test: {named}")
        elif name not in said and not uncited.get(named):
            found.append(f"{name} is not cited, and no reason given: {named}")
        elif name in said and named in uncited:
            found.append(f"{name} is cited after all: {named}")
    found += [f"{name}: a reason for no proof of it: {one}" for one in set(uncited) - set(proof)]
    found += [f"{name} names one test twice." for one in set(proof) if proof.count(one) > 1]
    return found


def test_every_hazard_stands_in_the_log_once_and_in_order():
    written = re.findall(r"^\[(HAZ-\d+)\]$", LOG.read_text(encoding="utf-8"), re.MULTILINE)

    assert written == IDS
    assert list(HAZARDS) == IDS


@pytest.mark.parametrize("name", IDS)
def test_each_hazard_names_tests_that_are_there_and_what_is_missing(name):
    assert faults_of(name, HAZARDS[name]) == []


WELL = {
    "title": "Something that hurts",
    "severity": 4,
    "chance": "M",
    "control": "A control that was built.",
    "standing": "proven",
    "proof": ["tests/safety/test_hazard_log.py::test_a_log_that_is_not_whole_is_seen"],
    "uncited": {
        "tests/safety/test_hazard_log.py::test_a_log_that_is_not_whole_is_seen": "an example"
    },
}


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"proof": []}, "names no test"),
        ({"proof": ["tests/safety/test_gone.py::test_it"], "uncited": {}}, "no such passing test"),
        ({"proof": ["pwa/src/text/words.test.ts > no such name"], "uncited": {}}, "no such"),
        ({"uncited": {}}, "is not cited"),
        ({"standing": "later", "proof": [], "uncited": {}}, "where it belongs"),
        ({"standing": "part", "why": "Something: somewhere."}, "where it belongs"),
        ({"why": "Not whole: access."}, "lacks something"),
        ({"severity": 6}, "severity of 1 to 5"),
        ({"standing": "done"}, "stands as"),
        ({"owner": "somebody"}, "unknown key"),
    ],
)
def test_a_log_that_is_not_whole_is_seen(change, part):
    """Each fault is planted here, one at a time; without any the entry is whole."""
    assert faults_of("HAZ-99", WELL) == []
    assert any(part in fault for fault in faults_of("HAZ-99", WELL | change))


def test_a_test_that_is_left_out_or_expected_to_fail_proves_nothing(tmp_path, monkeypatch):
    """Planted here: the same test plain, left out, and expected to fail."""
    monkeypatch.setattr(named_tests, "ROOT", tmp_path)
    (tmp_path / "test_marked.py").write_text(
        'def test_plain():\n    """[HAZ-99]"""\n'
        "@pytest.mark.skipif(True, reason='x')\ndef test_left_out(): ...\n"
        "@pytest.mark.xfail(strict=True)\ndef test_expected_to_fail(): ...\n"
    )

    assert find_test("test_marked.py::test_plain") == "[HAZ-99]"
    assert find_test("test_marked.py::test_left_out") is None
    assert find_test("test_marked.py::test_expected_to_fail") is None


def test_names_of_tests_are_read_from_the_sources():
    source = "\n".join(
        (
            "test('one', () => {});",
            'test.each([1, -1])(\n  "it\'s %i",\n  () => {},\n);',
            "test.fails('not yet', () => {});",
            "test.skip('left out', () => {});",
            r"  test('a \'quoted\' one', async () => {});",
            "const text = `test('no', ...)`;",
        )
    )

    assert read_vitest_names(source) == {"one", "it's %i", "a 'quoted' one"}


def test_the_readme_counts_what_the_log_says():
    """The one number of the log that stands elsewhere."""
    readme = " ".join((LOG.parents[2] / "README.md").read_text(encoding="utf-8").split())
    proven = sum(one["standing"] == "proven" for one in HAZARDS.values())

    assert f"of {len(IDS)} hazards {proven} are proven whole" in readme
