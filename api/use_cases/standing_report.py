"""What a unit tells its hub of itself: build, rule files, devices, and counts of data quality.

No name, no record and no day of a case is in it; devices go by pseudonyms (DM-01, SEC-24).
"""

import hashlib
from typing import Annotated

import msgspec

from api.quality.completeness import CompletenessLine
from api.quality.quality_rules import packaged_quality_rules
from api.storage.standing_store import KeptStanding
from api.storage.unit_store import UnitStore
from api.use_cases.device_standing import ToldRow, versions_in_force
from api.use_cases.list_devices import DeviceRow, list_all_devices
from api.use_cases.report_quality import recent_counts
from api.use_cases.told_rule_files import OfferAnswer, answer_offers
from api.use_cases.unit_rules import contents_of, open_rule_book, read_unit_rules
from sync.exchange import PROTOCOL_VERSION

_Name = Annotated[str, msgspec.Meta(max_length=100)]
_Count = Annotated[int, msgspec.Meta(ge=0, le=2**53)]
_DIGITS = 16
# As a word: an older release told the form of its batches, and an older hub reads no number here.
PROTOCOL = str(PROTOCOL_VERSION)


class StandingDevice(msgspec.Struct, frozen=True, kw_only=True):
    """One device as the unit knows it; ``device`` is a pseudonym, times those of the unit.

    ``build``, ``protocol``, ``unsent`` and ``storage`` are what it told last; "", None and
    "unknown" where it did not. ``storage`` is "kept" where its browser promises to keep it, else
    "may-be-cleared".
    """

    device: _Name
    role: _Name
    joined_ms: int
    last_contact_ms: int | None
    clock_offset_ms: int | None
    build: _Name = ""
    protocol: _Count | None = None
    unsent: _Count | None = None
    storage: _Name = "unknown"


class StandingReport(msgspec.Struct, frozen=True, kw_only=True):
    """What a unit says of itself.

    Parameters
    ----------
    at_ms : int
        By the unit's clock.
    protocol : str
        Version of the exchange that it speaks (EX24); ``catalogue`` is that of its record
        catalogue.
    rule_files : dict
        Version that counts today by name.
    is_training : bool or None
        In training versions count that nobody has approved; None of a unit that does not tell.
    unsent : int
        Operations that wait to be sent to the hub; the oldest since ``oldest_unsent_ms``.
    offers : tuple of OfferAnswer
        What became of the rule files that the hub offers.
    """

    at_ms: int
    build: _Name
    protocol: _Name
    catalogue: _Count
    rule_files: Annotated[dict[_Name, _Count], msgspec.Meta(max_length=1_000)] = {}
    is_training: bool | None = None
    unsent: _Count = 0
    oldest_unsent_ms: int | None = None
    cases: _Count = 0
    devices: Annotated[tuple[StandingDevice, ...], msgspec.Meta(max_length=1_000)] = ()
    quality: Annotated[dict[_Name, _Count], msgspec.Meta(max_length=1_000)] = {}
    completeness: Annotated[tuple[CompletenessLine, ...], msgspec.Meta(max_length=20_000)] = ()
    offers: Annotated[tuple[OfferAnswer, ...], msgspec.Meta(max_length=1_000)] = ()


def make_standing_report(
    store: UnitStore,
    *,
    build: str,
    now_ms: int,
    today: str,
    unsent: int = 0,
    oldest_unsent_ms: int | None = None,
) -> StandingReport:
    """Return what a unit tells of itself on a day."""
    counts = recent_counts(store, on=today, now_ms=now_ms)
    with store.transaction():
        rules = read_unit_rules(store)
        generation = store.fact("generation") or ""
    book = open_rule_book(rules, on=today)
    return StandingReport(
        at_ms=now_ms,
        build=build,
        protocol=PROTOCOL,
        catalogue=store.catalogue.version,
        rule_files=versions_in_force(contents_of(rules), book),
        is_training=rules.is_training,
        unsent=unsent,
        oldest_unsent_ms=oldest_unsent_ms,
        cases=counts.cases,
        devices=tuple(
            _tell_device(_pseudonym(generation, one.id), one)
            for one in list_all_devices(store, now_ms=now_ms).devices
            if not one.is_waiting
        ),
        quality=counts.quality,
        completeness=counts.completeness,
        offers=tuple(answer_offers(store, on=today)),
    )


def keep_standing(
    store: UnitStore, unit: str, report: StandingReport, *, now_ms: int, today: str
) -> None:
    """Keep at the hub what a unit has told of itself; the last of a week stands for it.

    Parameters
    ----------
    unit : str
        The device that has proved itself; a report names no unit.

    Notes
    -----
    A count of a rule that this hub does not have is dropped: nobody could say what it counts, and
    names of a unit's own making would stand in every answer for a year.
    """
    known = packaged_quality_rules().rules
    quality = {rule: count for rule, count in report.quality.items() if rule in known}
    # How full each field is in each month is nine tenths of a report, and is asked of one unit.
    completeness = msgspec.json.encode(report.completeness).decode()
    kept = msgspec.structs.replace(report, quality=quality, completeness=())
    content = msgspec.json.encode(kept, order="sorted").decode()
    with store.transaction():
        store.standings.keep(KeptStanding(unit, today, now_ms, content), completeness)


def read_standing(kept: KeptStanding) -> StandingReport | None:
    """Return a report that was kept; None of one that this release cannot read."""
    try:
        return msgspec.json.decode(kept.content, type=StandingReport)
    except msgspec.MsgspecError:
        return None


def read_completeness(content: str) -> tuple[CompletenessLine, ...]:
    """Return how full fields are, as it was kept; none where this release cannot read it."""
    try:
        return msgspec.json.decode(content, type=tuple[CompletenessLine, ...])
    except msgspec.MsgspecError:
        return ()


def _tell_device(pseudonym: str, one: DeviceRow) -> StandingDevice:
    told = one.told
    return StandingDevice(
        device=pseudonym,
        role=one.role,
        joined_ms=one.joined_ms,
        last_contact_ms=one.last_contact_ms,
        clock_offset_ms=one.clock_offset_ms,
        build=(told and told.build) or "",
        protocol=told.protocol if told else None,
        unsent=told.unsent if told else None,
        storage=_storage_word(told),
    )


def _storage_word(told: ToldRow | None) -> str:
    if told is None or told.is_kept is None:
        return "unknown"
    return "kept" if told.is_kept else "may-be-cleared"


def _pseudonym(generation: str, device: str) -> str:
    # An id of a device is random, and the hub is not to know it from the devices of a unit.
    return hashlib.sha256(f"{generation}/{device}".encode()).hexdigest()[:_DIGITS]
