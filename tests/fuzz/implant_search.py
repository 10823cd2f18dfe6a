"""Searches for implants: names a slip or a look-alike apart, labels, several answers, none."""

from collections.abc import Callable
from typing import Any

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.rule_book import RuleBook
from tests.fuzz.chance import TEXTS, Chance

_SIGNS = "OI1L0Z2S5B8AK47"
_DAYS = ("2026-02-28", "2026-03-01", "2026-03-31", "2026-04-01", "2026-02-30", "")


def prepare_draw(_rule_book: RuleBook) -> Callable[[Chance], dict[str, Any]]:
    """Return what draws a request; the look-alikes are drawn whether they are listed or not."""
    return _draw


def _draw(chance: Chance) -> dict[str, Any]:
    lot, serial = (_draw_name(chance) for _ in range(2))
    number = "".join(chance.choices("01289", k=chance.choice((6, 7, 11, 12, 13))))
    identifier = f"{number}{check_digit(number)}"
    days = sorted(chance.choices(_DAYS[:4], k=2))
    offered: dict[str, Any] = {
        "lots": [lot, *([_draw_name(chance)] if chance.holds(0.2) else [])],
        "serial": serial,
        "identifier": chance.choice((identifier, f"00{identifier}", _slip(identifier, chance))),
        "expires_from": days[0],
        "expires_to": days[1],
        "item": chance.choice(("coil", "needle", "adhesive")),
        "from_on": days[0],
        "to_on": chance.choice((days[1], days[0])),
    }
    search = {key: value for key, value in offered.items() if chance.holds(0.45)}
    implants = [_draw_implant(chance, lot, serial, identifier) for _ in range(chance.randint(1, 6))]
    kinds = chance.choices(("coil", "needle", "other"), k=chance.choice((0, 1, 1, 2)))
    return {"search": search, "implants": implants, **({"kinds": kinds} if kinds else {})}


def _draw_implant(chance: Chance, lot: str, serial: str, identifier: str) -> dict[str, Any]:
    found: dict[str, Any] = {
        "devices": [
            _draw_device(chance, lot, serial, identifier)
            for _ in range(chance.choice((0, 1, 1, 2)))
        ]
    }
    if chance.holds(0.6):
        found["item"] = chance.choice(("coil", "needle", "adhesive", "other"))
    if chance.holds(0.6):
        found["on"] = chance.choice(_DAYS)
    if chance.holds(0.5):
        found["case_days"] = chance.choices(_DAYS, k=chance.choice((0, 1, 1, 2)))
    if chance.holds(0.4):
        names = (identifier, f"0{identifier}", _slip(identifier, chance), "09506000134352", "")
        found["listed"] = chance.choices(names, k=chance.choice((0, 1, 1, 2)))
    return found


def _draw_device(chance: Chance, lot: str, serial: str, identifier: str) -> dict[str, Any]:
    label = (
        f"01{identifier.zfill(14)}172803{chance.choice(('00', '31', '32'))}10{lot}\x1d21{serial}"
    )
    offered: dict[str, Any] = {
        "identifier": _slip(identifier, chance),
        "lot": _slip(lot, chance),
        "lot_unknown": chance.holds(0.5),
        "serial": _slip(serial, chance),
        "expires_on": chance.choice(_DAYS),
        "raw_label": chance.choice((label, f"]d2{label}", _slip(label, chance), "torn")),
    }
    return {key: value for key, value in offered.items() if chance.holds(0.5)}


def _draw_name(chance: Chance) -> str:
    if chance.holds(0.05):
        return chance.choice(("n/a", "unknown", "LOT unbekannt", "sin lote", "LOT", "NA1"))
    name = "".join(chance.choices(_SIGNS, k=chance.choice((1, 2, 4, 6, 6, 20, 40, 41))))
    before = ("", "", "", "LOT ", "Charge: ", "(10)", "lot no. ", "LOT", "Ch.-B. ")
    return chance.choice(before) + name


def _slip(name: str, chance: Chance) -> str:
    """Return a name as it is, or typed otherwise: with another sign, without one, swapped."""
    for _ in range(chance.choice((0, 0, 1, 1, 2))):
        place = chance.randrange(len(name) + 1)
        before, after = name[:place], name[place:]
        other = chance.choice((*_SIGNS, *TEXTS, "-", " "))
        name = chance.choice(
            (
                before + other + after,
                before + other + after[1:],
                before + after[1:],
                before + after[1:2] + after[:1] + after[2:],
                name.lower(),
            )
        )
    return name
