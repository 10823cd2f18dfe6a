"""Implants written down as people write them, and who of them a recall has to find.

Who bears what is known from the dice, never from the record: scanned, typed in other signs than the
label has, typed with one slip, not known. The noise of typing is that of `test_lot_recall`.
"""

import random
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from api.clinical_rules.civil_date import add_days
from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.lot_names import plain_form
from tests.safety.test_lot_recall import MIXED_UP, SIGNS, _slip

FIRST_ON, DAYS = "2016-01-01", 3_650
# Forty of each lot, five in a case; so many products that nobody bears thousands of one.
OF_A_LOT, IN_A_CASE, PRODUCTS = 40, 5, 1_000
# How a device came into the record, of a hundred.
_SHARES = {
    "scanned": 62,
    "label-alone": 8,
    "typed": 12,
    "mixed-up": 8,
    "slip": 4,
    "unknown": 4,
    "nothing": 2,
}
# Typed by hand, identifier and expiry are left out of each fourth; so is the day of each hundredth.
_LEFT_OUT_EACH, _UNDATED_EACH = 4, 100
KNOWN = ("same", "alike", "near")
# A label alone whose lot could hold a serial number behind a lost separator tells no lot (DL11).
_SEPARATOR_LOST = re.compile(r".{3}21.{4}")


class Lot(NamedTuple):
    """What stands on every label of a lot."""

    name: str
    identifier: str
    expires_on: str


class Implant(NamedTuple):
    """What was really placed, how it was written down, and what of its label nobody knows."""

    record: str
    lot: Lot
    how: str
    written: str
    has_identifier: bool
    has_expiry: bool
    day: str | None


class Wanted(NamedTuple):
    """Whom a search has to find.

    Parameters
    ----------
    same : frozenset of str
        Scanned, or typed in no other signs than the label's: in the group "same".
    near : frozenset of str
        Typed in other signs or with one slip: in a group of known ones.
    unknown : frozenset of str
        Of whom nobody knows, within the period: these and no other in the group "unknown".
    """

    same: frozenset[str]
    near: frozenset[str]
    unknown: frozenset[str]


class Checked(NamedTuple):
    """How many were found of those that had to be, and what is wrong in words."""

    same: int
    near: int
    unknown: int
    faults: tuple[str, ...]


@dataclass
class Population:
    """All implants by what a recall asks for."""

    lots: list[Lot]
    by_lot: dict[str, list[Implant]] = field(default_factory=dict)
    by_identifier: dict[str, list[Implant]] = field(default_factory=dict)
    by_expiry: dict[str, list[Implant]] = field(default_factory=dict)
    # Something of these is not known.
    doubtful: list[Implant] = field(default_factory=list)
    by_record: dict[str, Implant] = field(default_factory=dict)

    def add(self, implant: Implant) -> None:
        """Keep an implant under all that it is asked for by."""
        lot = implant.lot
        self.by_record[implant.record] = implant
        self.by_lot.setdefault(lot.name, []).append(implant)
        self.by_identifier.setdefault(lot.identifier, []).append(implant)
        self.by_expiry.setdefault(lot.expires_on, []).append(implant)
        if not (implant.written and implant.has_identifier and implant.has_expiry):
            self.doubtful.append(implant)

    def wanted_for(self, asked: Mapping[str, Any]) -> Wanted:
        """Return whom a search by lots, by identifier or by expiry dates has to find."""
        days = _days_between(asked["expires_from"], asked["expires_to"]) if _dated(asked) else ()
        doubtful = [one for one in self.doubtful if _lies_in(one.day, asked)]
        if "lots" in asked:
            borne = [one for lot in asked["lots"] for one in self.by_lot[plain_form(lot)]]
            borne = [one for one in borne if one.written]
            exact = {one.record for one in borne if one.how not in ("mixed-up", "slip")}
            unknown = {one.record for one in doubtful if not one.written}
        elif "identifier" in asked:
            borne = [one for one in self.by_identifier[asked["identifier"]] if one.has_identifier]
            if days:
                borne = [one for one in borne if one.has_expiry and one.lot.expires_on in days]
            exact = {one.record for one in borne if one.how != "mixed-up"}
            unknown = {
                one.record
                for one in doubtful
                if not (one.has_identifier and (one.has_expiry or not days))
                and (not one.has_identifier or one.lot.identifier == asked["identifier"])
                and (not days or not one.has_expiry or one.lot.expires_on in days)
            }
        else:
            borne = [one for day in days for one in self.by_expiry.get(day, ()) if one.has_expiry]
            exact = {one.record for one in borne}
            unknown = {one.record for one in doubtful if not one.has_expiry}
        near = {one.record for one in borne} - exact
        return Wanted(frozenset(exact), frozenset(near), frozenset(unknown))

    def check(self, asked: Mapping[str, Any], groups: Mapping[str, str]) -> Checked:
        """Hold what a search found, the group of each record, against the dice."""
        wanted = self.wanted_for(asked)
        same = {one for one in wanted.same if groups.get(one) == "same"}
        near = {one for one in wanted.near if groups.get(one) in KNOWN}
        listed = {one for one, group in groups.items() if group == "unknown"}
        faults = [
            *_fault("known exactly and not found as the same", wanted.same - same),
            *_fault("typed in other signs or with a slip and not found", wanted.near - near),
            *_fault("unknown and not listed", wanted.unknown - listed),
            *_fault("listed as unknown and known", listed - wanted.unknown),
        ]
        if "lots" in asked:
            names = {plain_form(lot) for lot in asked["lots"]}
            held = (one for one, group in groups.items() if group == "same")
            others = {one for one in held if self.by_record[one].written not in names}
            faults += _fault("shown as this lot and never written so", others)
        found = len(wanted.unknown & listed)
        return Checked(len(same), len(near), found, tuple(faults))


def draw_population(implants: int, chance: random.Random) -> Population:
    """Return products and lots, and nobody yet who bears one."""
    identifiers = _draw_identifiers(chance)
    names: set[str] = set()
    while len(names) < max(1, implants // OF_A_LOT):
        name = "".join(chance.choices(SIGNS, k=chance.choice((7, 8, 10))))
        # "CHB 1234" would be a word for lot and a lot (LT12).
        if not name.startswith("CH"):
            names.add(name)
    days = [add_days("2018-01-01", day) for day in range(DAYS)]
    # Sorted: a set of texts comes in another order in each process.
    lots = [Lot(name, chance.choice(identifiers), chance.choice(days)) for name in sorted(names)]
    return Population(lots)


def case_day(number: int) -> str | None:
    """Return the day of a case; of each third nobody has written any."""
    return add_days(FIRST_ON, number * 7 % DAYS) if number % 3 else None


def draw_implants(
    population: Population, implants: int, chance: random.Random
) -> Iterator[tuple[Implant, dict[str, Any]]]:
    """Yield each implant with what its record says, in the order of its name; all are kept."""
    days = [add_days(FIRST_ON, day) for day in range(DAYS)]
    hows = [how for how, share in _SHARES.items() for _ in range(share)]
    cases = max(1, implants // IN_A_CASE)
    for number in range(implants):
        lot, how = chance.choice(population.lots), chance.choice(hows)
        on = None if chance.randrange(_UNDATED_EACH) == 0 else chance.choice(days)
        device = _write_down(lot, how, chance)
        is_read = "raw_label" in device
        case = number % cases
        implant = Implant(
            record=f"coil_placed/k{number:07}",
            lot=lot,
            how=how,
            written=_lot_told(lot.name, device),
            has_identifier=is_read or "identifier" in device,
            has_expiry=is_read or "expires_on" in device,
            day=on or case_day(case),
        )
        population.add(implant)
        at = {} if on is None else {"at": f"{on}T10:00:00+00:00"}
        yield implant, {"case": f"case/c{case}", "device": device, **at}


def _lot_told(name: str, device: Mapping[str, Any]) -> str:
    """Return which lot the record tells, "" where nobody can say."""
    if "lot" in device:
        return plain_form(device["lot"])
    return name if "raw_label" in device and not _SEPARATOR_LOST.search(name) else ""


def _write_down(lot: Lot, how: str, chance: random.Random) -> dict[str, Any]:
    name, identifier = lot.name, lot.identifier
    raw = f"01{identifier}17{lot.expires_on[2:].replace('-', '')}10{name}"
    if how == "label-alone":
        return {"lot_unknown": True, "raw_label": raw}
    expiry = {"expires_on": lot.expires_on}
    if how == "scanned":
        return {"identifier": identifier, "lot": name, "raw_label": raw, **expiry}
    said: dict[str, Any] = {}
    if how != "nothing" and chance.randrange(_LEFT_OUT_EACH):
        spaced = f"{identifier[:1]} {identifier[1:7]} {identifier[7:]}"
        said["identifier"] = {
            "mixed-up": _mix_up(identifier, chance),
            "typed": chance.choice((spaced, f"{identifier[:8]}-{identifier[8:]}")),
        }.get(how, identifier)
    if how != "nothing" and chance.randrange(_LEFT_OUT_EACH):
        said.update(expiry)
    if how == "unknown":
        said["lot_unknown"] = True
    elif how != "nothing":
        typed = (name.lower(), f" {name[:3]} {name[3:]}", f"{name[:2]}-{name[2:]}", name)
        said["lot"] = {"mixed-up": _mix_up(name, chance), "slip": _slip(name, chance)}.get(
            how, chance.choice(typed)
        )
    return said


def _mix_up(name: str, chance: random.Random) -> str:
    return "".join(
        chance.choice(MIXED_UP[one]) if one in MIXED_UP and chance.random() < 0.4 else one
        for one in name
    )


def _draw_identifiers(chance: random.Random) -> list[str]:
    """Return identifiers of which none is another with two neighbours swapped.

    Of a sign changed the check digit is another, so that no two lie one slip apart (LT3).
    """
    drawn: set[str] = set()
    while len(drawn) < PRODUCTS:
        body = f"0950600{chance.randrange(10**6):06}"
        whole = f"{body}{check_digit(body)}"
        swapped = {
            whole[:place] + whole[place + 1] + whole[place] + whole[place + 2 :]
            for place in range(len(whole) - 1)
        }
        if drawn.isdisjoint(swapped - {whole}):
            drawn.add(whole)
    return sorted(drawn)


def _dated(asked: Mapping[str, Any]) -> bool:
    return "expires_from" in asked


def _days_between(first: str, last: str) -> frozenset[str]:
    days = [first]
    while days[-1] < last:
        days.append(add_days(days[-1], 1))
    return frozenset(days)


def _lies_in(day: str | None, asked: Mapping[str, Any]) -> bool:
    return day is None or asked["from_on"] <= day <= asked["to_on"]


def _fault(words: str, records: set[str] | frozenset[str]) -> list[str]:
    return [f"{len(records)} {words}, the first {min(records)}"] if records else []
