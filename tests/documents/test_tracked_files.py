"""What no tracked file may hold: registry hosts, paths of one machine, words we do not use."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).name

# Each has one word of ours instead; see GLOSSARY.md.
FORBIDDEN = {
    "glue": "adhesive",
    "changeset": "operation",
    "tombstone": "retraction",
    "encounter": "case",
    "dashboard": "the place's own name",
    "lesion": "target",
}
# The licence and the lock of npm packages are other people's words.
NOT_OURS = {"LICENSE", "pwa/package-lock.json", HERE, "GLOSSARY.md", "words.test.ts"}


def _tracked() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [ROOT / name for name in listed.stdout.splitlines() if (ROOT / name).is_file()]


def _texts() -> list[tuple[str, str]]:
    found = []
    for file in _tracked():
        try:
            found.append((str(file.relative_to(ROOT)), file.read_text()))
        except UnicodeDecodeError:
            continue
    return found


@pytest.fixture(scope="module")
def texts():
    found = _texts()
    assert len(found) > 50
    return found


def test_no_file_names_a_package_registry_or_a_path_of_one_machine(texts):
    pattern = re.compile(
        r"registry\.npmjs|pypi\.org|pythonhosted|deb\.debian|(?<![\w.])/(?:work|home|root)/"
    )
    hits = [
        f"{name}: {match[0]}"
        for name, text in texts
        if HERE not in name
        for match in pattern.finditer(text)
    ]

    assert hits == []


def test_python_lock_files_hold_names_versions_and_hashes_alone(texts):
    locks = {name: text for name, text in texts if name.endswith(".lock")}

    assert set(locks) == {"requirements.lock", "requirements-test.lock", "node.lock"}
    for name, text in locks.items():
        assert "://" not in text, name
        pinned = re.findall(r"^[a-z0-9].*?==", text, re.MULTILINE | re.IGNORECASE)
        assert pinned, name
        assert text.count("--hash=sha256:") >= len(pinned), name


def test_one_word_a_thing(texts):
    pattern = re.compile(r"\b(" + "|".join(FORBIDDEN) + r")s?\b", re.IGNORECASE)
    hits = [
        f"{name}: {match[0]} (say {FORBIDDEN[match[1].lower()]})"
        for name, text in texts
        if not any(name.endswith(other) for other in NOT_OURS)
        for match in pattern.finditer(text)
    ]

    assert hits == []
