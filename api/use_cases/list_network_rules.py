"""The hub's desk of rule files: which versions it holds, who approved them, and what units did."""

from collections.abc import Mapping

import msgspec

from api.clinical_rules.rule_release import (
    APPROVERS_NEEDED,
    Release,
    day_in_force,
    list_approvers,
)
from api.storage.unit_store import UnitStore
from api.use_cases.network_rule_files import list_sent
from api.use_cases.read_fleet import unit_names
from api.use_cases.release_rule_files import ReleaseLine, list_rule_files
from api.use_cases.rule_file_offers import Offer
from api.use_cases.standing_report import StandingReport, read_standing
from api.use_cases.told_rule_files import Here, OfferAnswer
from api.use_cases.unit_rules import FIRST_OWN_VERSION, contents_of, read_unit_rules
from sync.merge import shown_value


class Approver(msgspec.Struct, frozen=True):
    """Who approved a version at the hub, and as what."""

    by: str
    name: str
    role: str


class RuleVersion(msgspec.Struct, frozen=True, kw_only=True):
    """One version held at the hub: where it stands, who approved it, whether units have it.

    Parameters
    ----------
    people_missing : int
        How many more people have to approve it.
    needs_endoscopist : bool
        No endoscopist is among who approved it, and one has to be (RL2).
    """

    version: int
    standing: str
    approvers: tuple[Approver, ...]
    people_missing: int
    needs_endoscopist: bool
    is_own: bool
    is_sent: bool
    is_withdrawn: bool
    may_send: bool


class CountingVersion(msgspec.Struct, frozen=True, kw_only=True):
    """Which version of a file counts at a unit, by its last report; null where it told of none."""

    unit: str
    name: str
    version: int | None
    is_training: bool | None
    reported_ms: int | None


class RuleFileVersions(msgspec.Struct, frozen=True, kw_only=True):
    """A rule file and its versions, the latest first; ``title`` is what its source calls it.

    ``at_units`` is told of files of which the hub has a version of its own.
    """

    file: str
    title: str
    versions: list[RuleVersion]
    at_units: list[CountingVersion]


class UnitAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What one unit did with an offer; ``came_ms`` is null until it has told that it came.

    ``here``, ``since_on`` and ``is_counting`` as in `OfferAnswer`; ``here`` is null of a unit that
    does not tell it.
    """

    unit: str
    name: str
    came_ms: int | None
    answer: str
    answered_ms: int | None = None
    here: Here | None = None
    since_on: str = ""
    is_counting: bool = False
    reported_ms: int | None = None


class SentRuleFile(msgspec.Struct, frozen=True, kw_only=True):
    """One offer, and what became of it unit by unit."""

    record: str
    file: str
    version: int
    sent_ms: int
    sent_by_name: str
    because: str
    is_withdrawn: bool
    withdrawn_ms: int | None
    withdrawn_because: str
    units: list[UnitAnswer]


class NetworkRules(msgspec.Struct, frozen=True):
    """Everything the desk shows."""

    files: list[RuleFileVersions]
    sent: list[SentRuleFile]


class _Titled(msgspec.Struct, frozen=True):
    source: dict[str, str]


class _Told(msgspec.Struct, frozen=True):
    """What units have told: their names, and the last report of each with when it came."""

    names: list[tuple[str, str]]
    reports: dict[str, tuple[int, StandingReport]]


def list_network_rules(store: UnitStore, *, on: str, now_ms: int) -> NetworkRules:
    """Return the rule files held at the hub, those it offers, and where they stand at each unit."""
    told = _read_told(store, now_ms=now_ms)
    sent = list_sent(store)
    offers = {(one.name, one.version): one for one in sent}
    with store.transaction():
        rules = read_unit_rules(store)
    held, released = contents_of(rules), {(one.name, one.version): one for one in rules.releases}
    files: dict[str, list[RuleVersion]] = {}
    for line in list_rule_files(store, on=on):
        key = (line.name, line.version)
        version = _version(line, released.get(key), offers.get(key))
        files.setdefault(line.name, []).append(version)
    for versions in files.values():
        versions.sort(key=lambda one: -one.version)
    rows = [
        RuleFileVersions(
            file=name,
            title=_title(held.get(f"{name}.v{versions[0].version}.json")),
            versions=versions,
            at_units=_counting(name, told) if any(one.is_own for one in versions) else [],
        )
        for name, versions in files.items()
    ]
    answers = [_sent(store, one, told) for one in sent]
    return NetworkRules(rows, sorted(answers, key=lambda row: (-row.sent_ms, row.record)))


def name_of(store: UnitStore, person: str) -> str:
    """Return the name of a person of the staff, the id where there is none."""
    with store.transaction():
        state = store.views.state_of(person) if person.startswith("staff/") else None
    name = shown_value(state.fields.get("name")) if state else None
    return name if isinstance(name, str) else person


def _read_told(store: UnitStore, *, now_ms: int) -> _Told:
    names = sorted(unit_names(store, now_ms=now_ms).items(), key=lambda pair: (pair[1], pair[0]))
    with store.transaction():
        kept = store.standings.latest()
    reports = {one.unit: (one.noted_ms, report) for one in kept if (report := read_standing(one))}
    return _Told(names, reports)


def _version(line: ReleaseLine, release: Release | None, offer: Offer | None) -> RuleVersion:
    approvers = list_approvers(release) if release else ()
    is_sent = offer is not None and not offer.is_withdrawn
    is_own = line.version >= FIRST_OWN_VERSION
    is_approved = line.standing in ("approved", "in force")
    is_decided = release is not None and day_in_force(release) is not None
    return RuleVersion(
        version=line.version,
        standing=line.standing,
        approvers=tuple(Approver(one.by, one.name, one.role) for one in approvers),
        people_missing=max(0, APPROVERS_NEEDED - len(approvers)),
        needs_endoscopist=not is_decided and all(one.role != "endoscopist" for one in approvers),
        is_own=is_own,
        is_sent=is_sent,
        is_withdrawn=offer is not None and offer.is_withdrawn,
        may_send=is_approved and not is_sent and is_own,
    )


def _counting(name: str, told: _Told) -> list[CountingVersion]:
    rows = []
    for unit, unit_name in told.names:
        noted_ms, report = told.reports.get(unit, (None, None))
        row = CountingVersion(
            unit=unit,
            name=unit_name,
            version=report.rule_files.get(name) if report else None,
            is_training=report.is_training if report else None,
            reported_ms=noted_ms,
        )
        rows.append(row)
    return rows


def _sent(store: UnitStore, offer: Offer, told: _Told) -> SentRuleFile:
    return SentRuleFile(
        record=offer.record,
        file=offer.name,
        version=offer.version,
        sent_ms=offer.came_ms,
        sent_by_name=name_of(store, offer.by),
        because=offer.because,
        is_withdrawn=offer.is_withdrawn,
        withdrawn_ms=offer.withdrawn_ms if offer.is_withdrawn else None,
        withdrawn_because=offer.withdrawn_because,
        units=[_at_unit(unit, name, offer, told.reports) for unit, name in told.names],
    )


def _at_unit(
    unit: str, name: str, offer: Offer, reports: Mapping[str, tuple[int, StandingReport]]
) -> UnitAnswer:
    noted_ms, report = reports.get(unit, (None, None))
    found: OfferAnswer | None = next(
        (one for one in (report.offers if report else ()) if one.record == offer.record), None
    )
    if report is None or found is None:
        return UnitAnswer(unit=unit, name=name, came_ms=None, answer="none", reported_ms=noted_ms)
    # An older unit tells the number that counts, and that it took the offer under this number.
    by_number = found.answer == "taken" and report.rule_files.get(offer.name) == offer.version
    return UnitAnswer(
        unit=unit,
        name=name,
        came_ms=found.came_ms,
        answer=found.answer,
        answered_ms=found.answered_ms,
        here=found.here,
        since_on=found.since_on,
        is_counting=by_number if found.here is None else found.is_counting,
        reported_ms=noted_ms,
    )


def _title(content: bytes | None) -> str:
    try:
        return msgspec.json.decode(content or b"", type=_Titled).source.get("title", "")
    except msgspec.MsgspecError:
        return ""
