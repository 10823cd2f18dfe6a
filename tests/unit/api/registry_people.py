"""Invented records of a registry as units publish them: patients, cases and their parts."""

import hashlib
from typing import Any

from tests.unit.api.network_hub import FEN, LOW, TARN, NetworkHub

# A trade item number with a good check digit, of no maker.
GTIN = "01234567890128"
CLASSES = ("GOV1", "GOV2", "IGV1")


def digits(name: str) -> str:
    """Return an id as a unit makes one: 32 hexadecimal digits."""
    return hashlib.sha256(name.encode()).hexdigest()[:32]


def tell_patients(hub: NetworkHub, count: int, **patient: Any) -> list[str]:
    """Let the units publish patients with a case each, and return the patients' records.

    Born from 1930 on, treated in 2024 and 2025, by turns in three units and of both sexes.
    """
    records = []
    with hub.store.transaction():
        for number in range(count):
            unit = (TARN, FEN, LOW)[number % 3]
            records.append(_tell_one(hub, unit, number, patient))
    return records


def _tell_one(hub: NetworkHub, unit: str, number: int, patient: dict[str, Any]) -> str:
    write = hub.units[unit].write
    record, case = (
        f"registry_patient/{digits(f'p{number}')}",
        f"registry_case/{digits(f'c{number}')}",
    )
    born = {"birth_year": 1930 + number * 7 % 60, "sex": ("female", "male")[number % 2]}
    dead = {"died_on": f"2026-0{number % 9 + 1}-11"} if number % 8 == 0 else {}
    write(record, unit=unit, **{**born, **dead, **patient})
    on = f"{2024 + number % 2}-{number % 12 + 1:02d}-{number % 28 + 1:02d}"
    write(
        case,
        unit=unit,
        patient=record,
        treated_on=on,
        seen_on="2026-01-05",
        indication="secondary-prophylaxis",
        varix_class=CLASSES[number % 3],
        cause="viral",
        child_pugh_points=5 + number % 9,
        short_axis_um=8_000 + number * 100,
        technique="coils-and-adhesive",
        coils_placed=1 + number % 3,
        adhesive_pure_ul=1_000,
        delivered=True,
        flow_at_end="none",
        doubts=["meld"],
    )
    write(
        f"registry_implant/{digits(f'i{number}')}",
        case=case,
        item="coil",
        identifier=GTIN,
        lot=f"VK44{number % 4}",
        expires_on="2028-04-30",
        count=1 + number % 3,
    )
    write(f"registry_look/{digits(f'l{number}')}", case=case, looked_on="2026-01-05", flow="no")
    if number % 5 == 0:
        write(
            f"registry_event/{digits(f'e{number}')}",
            case=case,
            event="rebleed",
            happened_on="2026-01-03",
            source="gastric-varix",
        )
    return record
