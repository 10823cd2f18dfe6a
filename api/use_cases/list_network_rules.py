"""The hub's desk of rule files: which versions it could send, which it sent, and what units did."""

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.network_rule_files import list_sent
from api.use_cases.read_fleet import unit_names
from api.use_cases.release_rule_files import list_rule_files
from api.use_cases.standing_report import read_standing
from api.use_cases.unit_rules import FIRST_OWN_VERSION
from sync.merge import shown_value


class RuleVersion(msgspec.Struct, frozen=True, kw_only=True):
    """One version held at the hub: where it stands, who approved it, whether units have it."""

    version: int
    standing: str
    approved_by: tuple[str, ...]
    is_sent: bool
    may_send: bool


class RuleFileVersions(msgspec.Struct, frozen=True):
    """A rule file and its versions, the latest first."""

    file: str
    versions: list[RuleVersion]


class UnitAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What one unit did with an offer; ``came_ms`` is null until it has told that it came."""

    unit: str
    name: str
    came_ms: int | None
    answer: str


class SentRuleFile(msgspec.Struct, frozen=True, kw_only=True):
    """One offer, and what became of it unit by unit."""

    record: str
    file: str
    version: int
    sent_ms: int
    sent_by_name: str
    because: str
    is_withdrawn: bool
    units: list[UnitAnswer]


class NetworkRules(msgspec.Struct, frozen=True):
    """Everything the desk shows."""

    files: list[RuleFileVersions]
    sent: list[SentRuleFile]


def list_network_rules(store: UnitStore, *, on: str, now_ms: int) -> NetworkRules:
    """Return the rule files held at the hub and those it offers."""
    names = unit_names(store, now_ms=now_ms)
    sent = list_sent(store)
    with store.transaction():
        reports = {one.unit: read_standing(one) for one in store.standings.latest()}
    answers = {
        (unit, offer.record): offer
        for unit, report in reports.items()
        if report is not None
        for offer in report.offers
    }
    open_ones = {(one.name, one.version) for one in sent if not one.is_withdrawn}
    files: dict[str, list[RuleVersion]] = {}
    for line in list_rule_files(store, on=on):
        is_sent = (line.name, line.version) in open_ones
        is_approved = line.standing in ("approved", "in force")
        version = RuleVersion(
            version=line.version,
            standing=line.standing,
            approved_by=line.approved_by,
            is_sent=is_sent,
            may_send=is_approved and not is_sent and line.version >= FIRST_OWN_VERSION,
        )
        files.setdefault(line.name, []).append(version)
    rows = [
        SentRuleFile(
            record=one.record,
            file=one.name,
            version=one.version,
            sent_ms=one.came_ms,
            sent_by_name=name_of(store, one.by),
            because=one.because,
            is_withdrawn=one.is_withdrawn,
            units=[
                UnitAnswer(
                    unit=unit,
                    name=name,
                    came_ms=told.came_ms if (told := answers.get((unit, one.record))) else None,
                    answer=told.answer if told else "none",
                )
                for unit, name in sorted(names.items(), key=lambda pair: (pair[1], pair[0]))
            ],
        )
        for one in sent
    ]
    return NetworkRules(
        [RuleFileVersions(name, versions[::-1]) for name, versions in files.items()],
        sorted(rows, key=lambda row: (-row.sent_ms, row.record)),
    )


def name_of(store: UnitStore, person: str) -> str:
    """Return the name of a person of the staff, the id where there is none."""
    with store.transaction():
        state = store.views.state_of(person) if person.startswith("staff/") else None
    name = shown_value(state.fields.get("name")) if state else None
    return name if isinstance(name, str) else person
