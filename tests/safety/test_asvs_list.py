"""Every item of OWASP ASVS 5.0.0 up to level 2 has a verdict, and each pass a test that is there.

Source: OWASP Application Security Verification Standard 5.0.0, its own CSV (345 items: 70 of level
1, 183 of level 2, 92 of level 3). The summaries are ours.
"""

import ast
import re
from collections import Counter
from functools import cache

import pytest

from tests.documents.test_security_page import WRITTEN_DOWN
from tests.safety.asvs_list import Item, read_items
from tests.safety.named_tests import ROOT, find_test, read_test

ITEMS_OF_LEVEL = {1: 70, 2: 183}
ITEMS_OF_CHAPTER = {
    **{1: 27, 2: 11, 3: 19, 4: 10, 5: 9, 6: 35, 7: 18, 8: 7, 9: 7},
    **{10: 29, 11: 14, 12: 9, 13: 13, 14: 9, 15: 13, 16: 16, 17: 7},
}

CITED = re.compile(r"\[ASVS (\d+\.\d+\.\d+)\]")
# Words of a summary that stand in tests of anything.
SAY_NOTHING = frozenset(
    (
        *("with", "from", "that", "what", "where", "their", "data", "into", "than", "they"),
        *("must", "test", "tests", "each", "before", "after", "user", "users", "server", "used"),
        "documented",
    )
)
# What the server does not have, by the items that are not applicable for it: what would show it in
# its sources. The app's own are looked through for what browsers have.
ABSENT = {
    "V1.2.5": r"shell\s*=\s*True|os\.system|os\.popen|create_subprocess_shell",
    "V1.2.6": r"\bldap\w*\.|import ldap",
    "V1.2.7": r"\bxpath\b",
    "V1.3.9": r"\bmemcache",
    "V1.3.11": r"\bsmtplib\b",
    "V1.5.1": r"import xml|from xml|\blxml\b",
    "V4.3.1": r"graphql",
    "V4.4.1": r"new WebSocket\(|@websocket|WebsocketRouteHandler",
    "V9.1.1": r"\bjwt\b|\bjose\b",
    "V10.1.1": r"oauth|openid(?!api)",
    "V17.1.1": r"RTCPeerConnection",
}
# A sentence that says that there is nothing of a kind has to be true of the sources.
ONE_PROCESS = re.compile(r"no outgoing|sends no requests|one process, no|not part of this list")


def test_every_item_of_levels_1_and_2_stands_once():
    items = read_items()

    assert Counter(item.level for item in items) == ITEMS_OF_LEVEL
    assert len({item.id for item in items}) == len(items)
    assert Counter(int(item.id[1:].split(".")[0]) for item in items) == ITEMS_OF_CHAPTER
    assert all(re.fullmatch(r"V\d+\.\d+\.\d+", item.id) for item in items)


def test_every_pass_names_a_test_that_exists():
    """Caught, planted: a test that was renamed."""
    named = [item.evidence for item in read_items() if item.verdict == "pass"]

    assert len(named) > 100
    assert [name for name in named if find_test(name) is None] == []


def _is_about(item: Item) -> bool:
    """Say whether the named test has the row's word, or one of the row's own words, in it."""
    text = read_test(item.evidence).lower()
    if item.word:
        return item.word.lower() in text
    own = re.findall(r"[a-z-]{4,}", item.summary.lower())
    return any(word[:5] in text for word in own if word not in SAY_NOTHING)


def _is_on_page(item: Item) -> bool:
    return item.evidence.endswith("::test_what_a_reader_must_find_written_down_is_there")


def test_every_named_test_is_about_its_row():
    """Caught: rows on templates and typesetting that named the test of signs that a font lacks; a
    row on frames that named the test of other headers.
    """
    passed = [item for item in read_items() if item.verdict == "pass"]

    assert [item.id for item in passed if not (_is_about(item) or _is_on_page(item))] == []
    # A word that stands in every test says nothing.
    assert [item.id for item in passed if item.word and len(item.word) < 3] == []


@cache
def _citing() -> dict[str, set[str]]:
    """Return the tests whose docstring cites an item, as ``[ASVS 7.2.3]``."""
    citing: dict[str, set[str]] = {}
    for path in (ROOT / "tests").rglob("test_*.py"):
        for one in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(one, ast.FunctionDef):
                for cited in CITED.findall(ast.get_docstring(one) or ""):
                    named = f"{path.relative_to(ROOT).as_posix()}::{one.name}"
                    citing.setdefault(f"V{cited}", set()).add(named)
    return citing


def test_an_item_that_tests_cite_names_one_of_them():
    """Caught: the row on random tokens named a test of what lies in the store."""
    assert len(_citing()) > 20
    assert [
        item.id
        for item in read_items()
        if item.verdict == "pass" and item.evidence not in _citing().get(item.id, {item.evidence})
    ] == []
    # Where a test proves an item, the list does not say that it is none of ours.
    away = {item.id for item in read_items() if item.verdict == "not-applicable"}
    assert away & set(_citing()) == set()


def test_what_is_to_be_written_down_is_looked_for_on_the_page():
    """Caught: a row that named the test of the page, which looked for nothing of it."""
    looked_for = {name.split(" ")[0] for name in WRITTEN_DOWN}

    assert [
        item.id for item in read_items() if _is_on_page(item) and item.id not in looked_for
    ] == []


@pytest.mark.parametrize("verdict", ["not-applicable", "deviation"])
def test_whatever_is_no_pass_has_a_reason(verdict):
    reasons = [item for item in read_items() if item.verdict == verdict]

    assert reasons
    assert [item for item in reasons if len(item.evidence) < 7] == []


def test_the_deviations_are_those_that_security_md_tells():
    deviations = {item.id for item in read_items() if item.verdict == "deviation"}

    told = (ROOT / ".github" / "SECURITY.md").read_text()
    assert [one for one in sorted(deviations) if one not in told] == []
    assert len(deviations) == 8
    assert {item.verdict for item in read_items()} == {"pass", "not-applicable", "deviation"}


@cache
def _sources() -> dict[str, str]:
    paths = [
        *(path for part in ("api", "sync") for path in (ROOT / part).rglob("*.py")),
        *(path for end in ("ts", "svelte") for path in (ROOT / "pwa/src").rglob(f"*.{end}")),
    ]
    paths = [path for path in paths if not path.name.endswith(".test.ts")]
    return {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in paths}


@pytest.mark.parametrize("item", ABSENT)
def test_what_is_told_to_be_absent_is_in_no_source(item):
    """Caught: that no command is run was said while the demonstration starts servers."""
    (row,) = [one for one in read_items() if one.id == item]
    pattern = re.compile(ABSENT[item], re.IGNORECASE)

    assert row.verdict == "not-applicable"
    assert [path for path, text in _sources().items() if pattern.search(text)] == []


def test_no_reason_forgets_the_hub():
    """Caught: "opens no outgoing connections" and "sends no requests" of a unit that asks its hub,
    "one process" of a hub beside PostgreSQL, and a hub that was "not part of this list yet".
    """
    assert [item.id for item in read_items() if ONE_PROCESS.search(item.evidence.lower())] == []
