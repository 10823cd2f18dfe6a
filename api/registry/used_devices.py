"""Which devices one case used, by identifier and lot; serial numbers stay where they are. Pure."""

import re
from collections import Counter
from typing import Any

from api.clinical_rules.civil_date import add_days, add_interval, is_civil_date
from api.clinical_rules.device_label import read_device_label
from api.clinical_rules.errors import CalculationRefusedError
from api.clinical_rules.lot_names import find_identifier_doubt, plain_form
from api.documents.shown_case import ShownCase, ShownRecord, text_in
from api.registry.case_mix import Named
from api.registry.told_lots import PersonalSigns, is_lot

_IDENTIFIER = re.compile(r"[0-9]{8}|[0-9]{12,14}|[A-Z][A-Z0-9]{4,22}[0-9]")
_GTIN_DIGITS = 14
# Of a label only the lot is read here: by which year its expiry is meant changes nothing.
_SEEN_FROM_ON = "2026-01-01"
# What was put back or thrown away unused is in nobody.
_NOT_USED = ("returned", "discarded")
Device = tuple[str, str, str, bool, str]


def tell_devices(case: ShownCase, personal: PersonalSigns) -> list[Named]:
    """Return coils, adhesive and needles of a case, alike ones counted together (RG7)."""
    packages = {one.record: one for one in case.of_kind("package_opened")}
    found: Counter[Device] = Counter()
    for one in case.of_kind("coil_placed"):
        found[_read("coil", one, personal, packages.get(one.text("package")))] += 1
    placed = {name[:3] for name in found}
    of_coils = {one.text("package") for one in case.of_kind("coil_placed")}
    # An opened package that nobody put back or threw away may lie in the patient.
    opened = [
        _read("coil", one, personal)
        for one in packages.values()
        if one.text("item") == "coil" and one.text("fate") not in _NOT_USED
        if one.record not in of_coils
    ]
    found.update(one for one in opened if one[:3] not in placed)
    for item in ("adhesive", "needle"):
        held = [
            _read(item, one, personal)
            for one in packages.values()
            if one.text("item") == item and one.text("fate") not in _NOT_USED
        ]
        found.update(held)
        if item == "adhesive":
            # Of which nobody wrote a lot may be of a package on record; one of another name, or of
            # a lot that cannot be told, is of none.
            own = {
                _read(item, one, personal)
                for one in case.of_kind("adhesive_injected")
                if not held or _names_lot(one)
            }
            found.update(one for one in own if one[:3] not in {name[:3] for name in held})
    return [
        (
            "|".join((case.itself.record, item, identifier, lot, expires_on)),
            {
                "item": item,
                "lot_unknown": is_unknown,
                "count": count,
                **({"identifier": identifier} if identifier else {}),
                **({"lot": lot} if lot else {}),
                **({"expires_on": expires_on} if expires_on else {}),
            },
            [],
        )
        for (item, identifier, lot, is_unknown, expires_on), count in sorted(found.items())
    ]


def _names_lot(one: ShownRecord) -> bool:
    """Say whether somebody wrote a lot at a device, also one that may not be told."""
    if _has_two_devices(one):
        return True
    return one.parts("device").get("lot_unknown") is not True and one.text("device", "lot") != ""


def _read(
    item: str, one: ShownRecord, personal: PersonalSigns, package: ShownRecord | None = None
) -> Device:
    """Return item, identifier, lot, whether the lot is unknown, and the month of expiry.

    Where two answers stand, at the device or its package, nothing of it is known; where the label
    names another lot than was written, no lot is.
    """
    if any(_has_two_devices(told) for told in (one, package) if told is not None):
        return item, "", "", True, ""
    parts: dict[str, Any] = {**(package.parts("device") if package else {}), **one.parts("device")}
    lot, serial = text_in(parts, "lot").strip(), text_in(parts, "serial").strip()
    is_told = parts.get("lot_unknown") is not True and is_lot(lot, serial, personal)
    if not is_told or _has_other_label(parts, lot):
        lot = ""
    identifier = _identifier(text_in(parts, "identifier"))
    if personal.stand_in(identifier):
        identifier = ""
    return item, identifier, lot, lot == "", _month(parts)


def _has_two_devices(one: ShownRecord) -> bool:
    return "device" in one.conflicts or "device" in one.held


def _has_other_label(parts: dict[str, Any], lot: str) -> bool:
    """Say whether the label as it was scanned names another lot."""
    raw = text_in(parts, "raw_label")
    if not raw:
        return False
    try:
        on_label = read_device_label(raw, today_on=_SEEN_FROM_ON)["lot"]
    except CalculationRefusedError:
        return False
    return isinstance(on_label, str) and plain_form(on_label) != plain_form(lot)


def _identifier(text: str) -> str:
    plain = plain_form(text)
    if not _IDENTIFIER.fullmatch(plain) or find_identifier_doubt(plain) is not None:
        return ""
    return plain.zfill(_GTIN_DIGITS) if plain.isdigit() else plain


def _month(parts: dict[str, Any]) -> str:
    """Return the last day of the month of expiry: labels say a month, or a day within it."""
    on = text_in(parts, "expires_on")
    if not is_civil_date(on):
        return ""
    return add_days(add_interval(f"{on[:7]}-01", months=1, days=0), -1)
