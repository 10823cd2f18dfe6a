"""The privacy papers name each kind of record once, under the stream it travels in (PRIV-01)."""

import re

from api.storage.unit_store import read_packaged_catalogue
from tests.supply_chain.locks import ROOT

PAGE = (ROOT / ".github" / "PRIVACY.md").read_text(encoding="utf-8")


def test_each_kind_of_record_lies_where_its_stream_goes():
    """[PRIV-01] Caught, planted: a new kind that the map did not know, and one under care."""
    told = {}
    for part in re.split(r"^Stream `", PAGE, flags=re.MULTILINE)[1:]:
        stream = part.split("`", 1)[0]
        for kind in re.findall(r"^\| `([a-z_]+)` \|", part, flags=re.MULTILINE):
            assert kind not in told, f"{kind} stands twice"
            told[kind] = stream

    assert told == {name: kind.stream for name, kind in read_packaged_catalogue().kinds.items()}


def test_both_templates_say_what_is_left_to_the_unit():
    """[PRIV-01] A template without a gap would be taken for a finished paper."""
    for article in ("Article 30", "Article 35"):
        [part] = [one for one in PAGE.split("\n## ") if article in one.split("\n", 1)[0]]
        assert part.count("[") > 5, article
