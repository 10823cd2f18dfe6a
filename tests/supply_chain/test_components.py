"""What others wrote and we ship: listed by name, pinned by content, under licences we may use."""

import csv
import json
import re
import subprocess
import sys

import pytest

from tests.supply_chain.locks import ROOT, read_npm_lock, read_python_lock

LOCKS = ("requirements.lock", "requirements-test.lock", "node.lock")
NPM_LOCK = ROOT / "pwa" / "package-lock.json"
MAY_BE_SHIPPED = frozenset(
    {
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "ISC",
        "LGPL-2.1-or-later",
        "LGPL-3.0-only",
        "MIT",
        "MIT-0",
        "MPL-2.0",
        "OFL-1.1",
        "PSF-2.0",
        "Unlicense",
        "Public Domain",
        "Zlib",
    }
)


def _listed():
    with (ROOT / "tests" / "supply_chain" / "components.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def _shipped():
    python = {("python", one.name) for one in read_python_lock(ROOT / "requirements.lock")}
    return python | {("npm", one.name) for one in read_npm_lock(NPM_LOCK, shipped_only=True)}


def test_every_component_that_is_shipped_is_on_the_list_and_no_other():
    """[SEC-28] A new one is red until somebody has read its licence and added its line."""
    listed = {(row["registry"], row["name"]) for row in _listed()}

    assert sorted(_shipped() - listed) == []
    assert sorted(listed - _shipped()) == []


def test_each_licence_is_one_that_we_may_ship():
    for row in _listed():
        parts = set(re.split(r" (?:AND|OR) ", row["licence"]))
        assert parts <= MAY_BE_SHIPPED, row


@pytest.mark.parametrize("name", LOCKS)
def test_every_python_component_is_pinned_by_its_content(name):
    """[SEC-28] V15.2.4: another file under the same name and version is refused by pip."""
    pinned = read_python_lock(ROOT / name)

    assert pinned
    assert [one for one in pinned if not one.has_digest] == []


def test_every_npm_component_is_pinned_by_its_content_and_runs_nothing_when_installed():
    pinned = read_npm_lock(NPM_LOCK, shipped_only=False)

    assert len(pinned) > 100
    assert [one for one in pinned if not one.has_digest] == []
    assert "ignore-scripts=true" in (ROOT / "pwa" / ".npmrc").read_text().split()


def test_set_up_installs_by_digest_alone():
    makefile = (ROOT / "Makefile").read_text()

    installs = [line for line in makefile.splitlines() if "pip install" in line and ".lock" in line]
    assert installs
    assert all("--require-hashes" in line for line in installs)


def test_no_lock_file_names_a_host_or_a_path_of_a_machine():
    for path in (*(ROOT / name for name in LOCKS), NPM_LOCK):
        content = path.read_text()
        assert '"resolved"' not in content, path
        assert not re.search(r"(?:^|[\s@])(?:https?|file)://\S+\.(?:whl|tar\.gz|tgz)", content), (
            path
        )


def test_the_bill_of_materials_names_every_python_component_that_is_shipped(tmp_path):
    """[SEC-29] CycloneDX 1.6 by its own tool, held against the lock."""
    target = tmp_path / "python.cdx.json"
    subprocess.run(
        [
            *(sys.executable, "-m", "cyclonedx_py", "requirements", "requirements.lock"),
            *("--output-reproducible", "--spec-version", "1.6", "--output-file", str(target)),
        ],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )

    bill = json.loads(target.read_text())

    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    named = {(one["name"].lower(), one["version"]) for one in bill["components"]}
    pinned = {(one.name, one.version) for one in read_python_lock(ROOT / "requirements.lock")}
    assert named == pinned


def test_an_audit_that_did_not_happen_is_never_told_as_one():
    """[SEC-30] A tool that reaches no database may end well all the same."""
    from tests.supply_chain.audit import judge_npm, judge_python

    assert judge_python(1, "", "No module named pip_audit").startswith("NOT AUDITED")
    assert judge_python(1, "could not be audited", "").startswith("NOT AUDITED")
    assert judge_python(1, "Found 2 known vulnerabilities", "").startswith("VULNERABLE")
    assert judge_python(0, "No known vulnerabilities found", "") == "AUDITED"
    assert judge_python(0, "", "").startswith("NOT AUDITED")
    assert judge_npm(1, "npm error audit endpoint returned an error").startswith("NOT AUDITED")
    assert judge_npm(1, "3 vulnerabilities (1 high)").startswith("VULNERABLE")
    assert judge_npm(0, "found 0 vulnerabilities") == "AUDITED"
    assert judge_npm(0, "").startswith("NOT AUDITED")
