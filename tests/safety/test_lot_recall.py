"""10,000 implants typed as people type, and a recall of lots among them (HAZ-46).

Who bears what is known here from the dice, not from the record. Planted bugs that this caught: a
sieve that looked up no lot with a sign too many, look-alikes folded on one side alone, the label as
scanned not read, an undated implant outside every period, unknown lots of other identifiers hidden,
an undated implant in every period though its case has a day.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from api.clinical_rules.gs1_label import check_digit
from api.clinical_rules.implant_search import find_group, make_search
from api.clinical_rules.label_readings import read_devices
from api.clinical_rules.lot_names import plain_form
from api.storage.unit_store import UnitStore, open_unit_store
from api.storage.view_rows import indexed_look_alikes
from api.use_cases.find_lots import look_for
from sync.clock import Stamp
from sync.operation import Body, Operation, make_operation

IMPLANTS, LOTS, CASES, SEED = 10_000, 400, 2_000, 46
# People mix these up; written down here once more, so that the rule file is held against it.
MIXED_UP = {"0": "O", "1": "IL", "2": "Z", "5": "S", "8": "B", "O": "0", "S": "5", "B": "8"}
SIGNS = "0123456789ABCDEFGHJKMNPQRSTUVWXYZ"
PERIOD = {"from_on": "2026-03-01", "to_on": "2026-05-31"}


@dataclass(frozen=True)
class Coil:
    """What was really placed, and how it was written down."""

    record: str
    lot: str
    how: str
    on: str | None
    device: dict[str, Any]
    case: str
    case_on: str | None

    @property
    def day(self) -> str | None:
        """The day on which it was placed, as far as anybody can tell."""
        return self.on or self.case_on


def _case_day(number: int) -> str | None:
    """Return the day of a case; of each third nobody has written any."""
    return f"2026-{number % 9 + 1:02}-{number % 28 + 1:02}" if number % 3 else None


def _draw_lots(chance: random.Random) -> list[str]:
    """Return lots, many of them close to one another as those of one maker are."""
    lots = {f"VK{number}" for number in chance.sample(range(44_000, 44_400), LOTS // 2)}
    while len(lots) < LOTS:
        lots.add("".join(chance.choices(SIGNS, k=chance.choice((5, 7, 10, 20)))))
    return sorted(lots)


def _slip(lot: str, chance: random.Random) -> str:
    place = chance.randrange(len(lot))
    return chance.choice(
        (
            lot[:place] + lot[place + 1 :],
            lot[:place] + chance.choice(SIGNS) + lot[place:],
            lot[:place] + chance.choice(SIGNS) + lot[place + 1 :],
            lot[:place] + lot[place + 1 : place + 2] + lot[place] + lot[place + 2 :],
        )
    )


def _draw_coils(chance: random.Random) -> Iterator[Coil]:
    lots = _draw_lots(chance)
    for number in range(IMPLANTS):
        lot = chance.choice(lots)
        body = f"0950600{chance.randrange(5):06}"
        identifier = f"{body}{check_digit(body)}"
        raw = f"01{identifier}1728063010{lot}"
        on = f"2026-{chance.randint(1, 9):02}-{chance.randint(1, 28):02}"
        how = chance.choice(
            ("scanned", "scanned", "label-alone", "typed", "mixed-up", "slip", "unknown", "nothing")
        )
        mixed = "".join(
            chance.choice(MIXED_UP[one]) if one in MIXED_UP and chance.random() < 0.4 else one
            for one in lot
        )
        typed = chance.choice((lot.lower(), f" {lot[:3]} {lot[3:]}", f"{lot[:2]}-{lot[2:]}", lot))
        devices: dict[str, dict[str, Any]] = {
            "scanned": {"identifier": identifier, "lot": lot, "raw_label": raw},
            "label-alone": {"lot_unknown": True, "raw_label": raw},
            "typed": {"lot": typed},
            "mixed-up": {"lot": mixed},
            "slip": {"lot": _slip(lot, chance)},
            "unknown": {"identifier": identifier, "lot_unknown": True},
            "nothing": {},
        }
        day = None if chance.random() < 0.1 else on
        case = number % CASES
        yield Coil(
            record=f"coil_placed/k{number:05}",
            lot=lot,
            how=how,
            on=day,
            device=devices[how],
            case=f"case/c{case}",
            case_on=_case_day(case),
        )


def _records(coils: list[Coil]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield every record with its fields; a case comes after half of its coils."""
    days = {coil.case: coil.case_on for coil in coils}
    half = len(coils) // 2
    for coil in coils[:half]:
        yield coil.record, _said(coil)
    for case, day in days.items():
        yield case, {"stage": "closed", **({"procedure_on": day} if day else {})}
    for coil in coils[half:]:
        yield coil.record, _said(coil)


def _said(coil: Coil) -> dict[str, Any]:
    at = {} if coil.on is None else {"at": f"{coil.on}T10:00:00+00:00"}
    return {"case": coil.case, "device": coil.device, **at}


def _write(store: UnitStore, coils: list[Coil]) -> None:
    """Write coils and cases as one tablet would, 500 at a time."""
    previous, operations = "", []
    for number, (record, said) in enumerate(_records(coils), start=1):
        operation = make_operation(
            device="tablet-s",
            epoch="ep01",
            counter=number,
            previous=previous,
            stream="care",
            record=record,
            stamp=str(Stamp(1_790_000_000_000 + number, 0, "tablet-s")),
            body=Body(
                salt=f"{number:032x}",
                by="staff/s-1",
                tapped_by="staff/s-1",
                catalogue=store.catalogue.version,
                set=said,
            ),
        )
        previous = operation.hash
        operations.append(operation)
    with store.transaction():
        for start in range(0, len(operations), 500):
            some: list[Operation] = operations[start : start + 500]
            store.views.refresh_after(some, store.operations.append(some, received_ms=1))


@pytest.fixture(scope="module")
def recalled(tmp_path_factory):
    """The coils, and for some lots the group of each record by the unit's search."""
    chance = random.Random(SEED)
    coils = list(_draw_coils(chance))
    store = open_unit_store(tmp_path_factory.mktemp("unit"), new_generation="generation-1")
    _write(store, coils)
    found = {}
    for lot in chance.sample(sorted({coil.lot for coil in coils}), 25):
        # As a notice may have it.
        searched = chance.choice((lot, lot.lower(), f"{lot[:2]} {lot[2:]}"))
        with store.transaction():
            told = look_for(store, make_search({"lots": [searched], **PERIOD}), on="2026-11-26")
        found[lot] = {one.record: one.group for one in told.implants}
    store.close()
    return coils, found


def _of(coils: list[Coil], lot: str, *how: str) -> list[str]:
    return [coil.record for coil in coils if coil.lot == lot and coil.how in how]


def test_every_scanned_implant_of_a_recalled_lot_is_found_as_that_lot(recalled):
    """[HAZ-46] [LT1] [LT6] All of them, also where the label alone was kept."""
    coils, found = recalled
    assert sum(len(_of(coils, lot, "scanned", "label-alone")) for lot in found) > 150
    for lot, groups in found.items():
        scanned = _of(coils, lot, "scanned", "label-alone", "typed")
        assert [record for record in scanned if groups.get(record) != "same"] == []


def test_signs_mixed_up_and_one_slip_hide_nobody(recalled):
    """[HAZ-46] [LT2] [LT3] Shown in groups of their own, unless the slip changed nothing."""
    coils, found = recalled
    assert sum(len(_of(coils, lot, "mixed-up", "slip")) for lot in found) > 100
    for lot, groups in found.items():
        mixed = _of(coils, lot, "mixed-up")
        assert [one for one in mixed if groups.get(one) not in ("same", "alike")] == []
        slips = _of(coils, lot, "slip")
        assert [one for one in slips if groups.get(one) not in ("same", "alike", "near")] == []


def test_every_unknown_lot_of_the_period_is_listed_whatever_is_searched(recalled):
    """[HAZ-46] [LT8] The first and the last day belong to it, and whoever has no day.

    Who has none has that of the case.
    """
    coils, found = recalled
    unknown = {
        coil.record
        for coil in coils
        if coil.how in ("unknown", "nothing")
        and (coil.day is None or PERIOD["from_on"] <= coil.day <= PERIOD["to_on"])
    }
    assert len(unknown) > 500
    assert {coil.day for coil in coils if coil.record in unknown} >= {None, "2026-03-01"}
    undated = {coil.record for coil in coils if coil.on is None and coil.case_on is not None}
    assert len(undated & unknown) > 30
    for groups in found.values():
        assert {record for record, group in groups.items() if group == "unknown"} == unknown


def test_nothing_stands_as_this_lot_that_nobody_wrote_so(recalled):
    """[HAZ-46] [LT1] A group that holds too much would be read by nobody."""
    coils, found = recalled
    by_record = {coil.record: coil for coil in coils}
    for lot, groups in found.items():
        for record in (one for one, group in groups.items() if group == "same"):
            coil = by_record[record]
            written = coil.device.get("lot") or coil.lot
            assert plain_form(written) == plain_form(lot)


def test_the_sieve_of_the_unit_loses_nothing_that_the_rule_finds(recalled):
    """[HAZ-46] [LT10] The rule itself over every implant, without any index."""
    coils, found = recalled
    readings = [(coil, read_devices([coil.device], on=coil.on)) for coil in coils]
    for lot in sorted(found)[:6]:
        search = make_search({"lots": [lot], **PERIOD})
        wanted = {
            coil.record: group
            for coil, read in readings
            if (
                group := find_group(
                    search, read, indexed_look_alikes(), item="coil", on=coil.day
                ).group
            )
        }
        assert found[lot] == wanted
