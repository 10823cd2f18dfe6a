"""Every numbered rule is cited by a test or a vector, and no test cites an unknown rule."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "sync/SPEC.md", ROOT / "api/clinical_rules/RULES.md"]
DEFINED = re.compile(r"^\s*[-|]?\s*\*\*([A-Z]{2}\d{1,2}[a-z]?)\*\*", re.MULTILINE)
CITED = re.compile(
    r"\b(?:HC|OP|LG|MG|CF|EX|RF|RL|LS|AH|DL|SZ|AD|ST|FU|FG|GE|VC|CV|AE|GT|"
    r"VA|VR|IU|SG|BU|SN|DE|DR|PM|BK|FH|FL|FM|FW|RD|SK|LT|AU|ER|RQ|SE|OC|RG|NL|DQ|WD|DX)\d{1,2}[a-z]?\b"
)


def _defined() -> set[str]:
    return {rule for page in PAGES for rule in DEFINED.findall(page.read_text())}


def _test_texts() -> dict[str, str]:
    files = [
        *ROOT.glob("tests/**/*.py"),
        *ROOT.glob("tests/conformance/**/*.json"),
        *ROOT.glob("pwa/src/**/*.test.ts"),
    ]
    return {
        str(file.relative_to(ROOT)): file.read_text()
        for file in files
        if file != Path(__file__).resolve()
    }


def test_every_numbered_rule_is_cited_by_a_test_or_a_vector():
    cited = {rule for text in _test_texts().values() for rule in CITED.findall(text)}

    assert _defined(), "no rule found: the pattern no longer fits the pages"
    assert sorted(_defined() - cited) == []


def test_no_test_cites_an_unknown_rule():
    defined = _defined()
    unknown = {
        (file, rule)
        for file, text in _test_texts().items()
        for rule in CITED.findall(text)
        # Prefixes of the clinical checks (FU-01) and hazards (HAZ-03) have a dash and do not match.
        if rule not in defined
    }

    assert sorted(unknown) == []
