"""A unit whose every text is a word that stands nowhere else, most of it pushed by a tablet."""

import itertools
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from api.record_catalogue.catalogue import REGISTRY
from api.use_cases.load_scenario import load_scenario
from sync.merge import shown_value
from tests.safety.filled_records import fill_record, replace_texts
from tests.unit.api.clinic_story import Story
from tests.unit.api.standing_unit import NOON_MS, StandingUnit

ROOT = Path(__file__).resolve().parents[2]
STORIES = sorted((ROOT / "seed_scenarios").glob("[0-9]*.json"))[:4]
# Also the words of `care_canaries`, which the hub of the walk is planted with.
SECRET = re.compile(r"zq(?:[0-9]{4}canary|canary[0-9]{4})", re.IGNORECASE)
# What only the unit's server writes down; a tablet that does is set aside.
OF_THE_SERVER = frozenset(
    (
        *("staff", "site", "erasure", "failsafe_review", "past_import", "recall_notice"),
        "rule_file_release",
    )
)
# Texts that another record, a clock or the standard reads: in the records of the stories they stay,
# or those records would be nobody's. A record of each kind has a secret there as well.
READ_BY_PROGRAMS = frozenset(
    (
        "visit.case",
        "visit.plan_visit",
        "visit.rule_file",
        "visit.booking.session",
        "visit.booking.time",
        "clinic_session.held.starts",
        "clinic_session.held.time_zone",
        "site.time_zone",
        "site.holidays_of.country",
        "site.holidays_of.subdivision",
        "patient.letter_language",
        "step_event.step",
        "step_event.round.target",
        "picture.file.sha256",
        "document_given.sha256",
        "sign_off.digest",
        "failsafe_review.list_hash",
        "failsafe_review.prepared_by",
        "failsafe_review.signed_by",
        "rule_file_release.file.name",
        "rule_file_release.content",
        *(f"rule_file_release.approval.{part}" for part in ("by", "name", "role", "sha256")),
        "recall_notice.criteria.identifier",
    )
)


class Secrets:
    """Draws words that stand nowhere else and knows of each what it is; others are told to it."""

    def __init__(self) -> None:
        self.planted: dict[str, str] = {}
        self.told: dict[str, str] = {}
        self._numbers = itertools.count(1)

    def draw(self, where: str) -> str:
        """Return a new word."""
        word = f"zq{next(self._numbers):04d}canary"
        self.planted[word] = where
        return word

    def tell(self, where: str, *texts: str) -> None:
        """Keep what was not drawn here and is as secret: tokens, passwords, codes."""
        self.told |= {text.lower(): where for text in texts}

    def found_in(self, text: str) -> dict[str, str]:
        """Return every secret that stands in a text, and what it is."""
        words = {word.lower() for word in SECRET.findall(text)}
        low = text.lower()
        return {
            **{word: self.planted.get(word, "a word of the network") for word in sorted(words)},
            **{one: where for one, where in self.told.items() if one in low},
        }


def load_stories(unit: StandingUnit) -> None:
    """Load cases that were treated and followed, as they are played."""
    for path in STORIES:
        load_scenario(unit.store, path.stem, path.read_bytes(), today_on="2026-03-16")


def planned_texts(unit: StandingUnit, secrets: Secrets) -> Iterable[tuple[str, dict[str, Any]]]:
    """Yield records with the texts to be written: those that are there, and one of each kind."""
    catalogue = unit.store.catalogue
    with unit.store.transaction():
        there = {kind: unit.store.views.of_kind(kind) for kind in catalogue.kinds}
    for kind in catalogue.kinds.values():
        if kind.stream == REGISTRY:
            continue
        for state in there[kind.id]:
            held = {name: shown_value(field) for name, field in state.fields.items()}
            changed = replace_texts(kind, held, secrets.draw, READ_BY_PROGRAMS)
            if changed:
                yield state.record, changed
        filled = fill_record(kind, secrets.draw, _references(there))
        # A unit that is live has nothing in force that two people have not approved.
        filled.pop("live_from", None)
        yield f"{kind.id}/{secrets.draw(f'name of a {kind.id}')}", filled


def _references(there: Mapping[str, list[Any]]) -> dict[str, str]:
    """Return the first record of each kind by the fields that name one."""
    first = {kind: states[0].record for kind, states in there.items() if states}
    return {
        **first,
        "package": first.get("package_opened", ""),
        "stock": first.get("stock_item", ""),
        "imported_in": "past_import/none",
    }


def write_as_server(unit: StandingUnit, records: Iterable[tuple[str, dict[str, Any]]]) -> None:
    """Write what no tablet may."""
    with unit.store.transaction():
        story = Story(unit.store, device="unit-server", now_ms=NOON_MS + 10_000_000)
        for record, fields in records:
            story.write(record, **fields)


def kind_of(record: str) -> str:
    """Return the kind that a record is of."""
    return record.partition("/")[0]
