"""What a device tells of itself after its exchange, and how it compares with the unit (DM-01)."""

import hashlib
from collections.abc import Iterable, Mapping

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.rule_book import RuleBook
from api.storage.device_standings import DeviceStanding, ToldStanding
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UnreadablePushError
from api.use_cases.unit_rules import UnitRules, contents_of, open_rule_book, read_unit_rules
from sync.exchange import PROTOCOL_VERSION

_DIGITS = 16


class ToldRow(msgspec.Struct, frozen=True, kw_only=True):
    """What a device last told of itself, at the time of the server; None is what it does not know.

    Parameters
    ----------
    ago_ms : int
        How long ago it told it; 0 where the server's clock was put back since.
    is_other_build : bool or None
        It runs another app than the server hands out.
    protocol, is_other_protocol : int or None, bool or None
        Version of the exchange that it speaks (EX24), and whether it is another than the unit's.
    has_other_rules : bool or None
        It computes by other rule files than the unit has in force on the day of the device.
    """

    told_ms: int
    ago_ms: int
    build: str | None
    is_other_build: bool | None
    catalogue: int | None
    protocol: int | None
    is_other_protocol: bool | None
    has_other_rules: bool | None
    unsent: int | None
    unsent_pictures: int | None
    is_kept: bool | None
    used_bytes: int | None
    quota_bytes: int | None

    @property
    def has_unsent(self) -> bool:
        """Whether it held work that the unit lacks."""
        return bool(self.unsent or self.unsent_pictures)


def note_device_standing(
    store: UnitStore, device: Device, standing: DeviceStanding, *, now_ms: int
) -> None:
    """Keep what a device tells of itself; the same told again changes the time alone.

    Raises
    ------
    UnreadablePushError
        The day of its rule files is none. Nothing is written.
    """
    if standing.rules_on is not None and not is_civil_date(standing.rules_on):
        message = f"{standing.rules_on} is no date. Send the day that the rule files are for."
        raise UnreadablePushError(message)
    with store.transaction():
        store.device_standings.keep(device.id, standing, told_ms=now_ms)


def read_told_rows(store: UnitStore, *, now_ms: int, served_build: str) -> dict[str, ToldRow]:
    """Return what each device told since it joined, by device; inside a transaction."""
    told = store.device_standings.by_device()
    days = {one.standing.rules_on for one in told.values() if one.standing.rules is not None}
    rules = read_unit_rules(store) if days else None
    here = {day: _digest_here(rules, day) for day in days if rules and day}
    return {device: _row(one, now_ms, served_build, here) for device, one in told.items()}


def digest_in_force(versions: Mapping[str, int]) -> str:
    """Return a digest of which version of each rule file is in force.

    Notes
    -----
    Twin of `digestInForce` in `pwa/src/state/rules-told.ts`: the first 16 hexadecimal digits of
    SHA-256 over lines ``name.vN``, by name.
    """
    lines = sorted(f"{name}.v{version}\n" for name, version in versions.items())
    return hashlib.sha256("".join(lines).encode()).hexdigest()[:_DIGITS]


def versions_in_force(paths: Iterable[str], book: RuleBook) -> dict[str, int]:
    """Return the version in force of each rule file that is held, by name."""
    names = sorted({path.rpartition(".v")[0] for path in paths if ".v" in path})
    return {name: version for name in names if (version := book.version_of(name))}


def _digest_here(rules: UnitRules, on: str) -> str:
    return digest_in_force(versions_in_force(contents_of(rules), open_rule_book(rules, on=on)))


def _row(told: ToldStanding, now_ms: int, served_build: str, here: Mapping[str, str]) -> ToldRow:
    one = told.standing
    here_digest = here.get(one.rules_on or "")
    return ToldRow(
        told_ms=told.told_ms,
        ago_ms=max(0, now_ms - told.told_ms),
        build=one.build,
        is_other_build=one.build != served_build if one.build and served_build else None,
        catalogue=one.catalogue,
        protocol=one.protocol,
        is_other_protocol=one.protocol != PROTOCOL_VERSION if one.protocol else None,
        has_other_rules=one.rules != here_digest if one.rules and here_digest else None,
        unsent=one.unsent,
        unsent_pictures=one.unsent_pictures,
        is_kept=one.is_kept,
        used_bytes=one.used_bytes,
        quota_bytes=one.quota_bytes,
    )
