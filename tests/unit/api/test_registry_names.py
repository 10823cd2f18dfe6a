"""Pseudonyms and moved days: nobody reads through them without the key, and intervals stay."""

import random

import pytest

from api.clinical_rules.civil_date import add_days, days_between
from api.registry.date_shift import MOST_DAYS, MOST_DELAY, find_delay, find_shift, shift_date
from api.registry.disguise import disguise
from api.registry.pseudonyms import make_pseudonym
from api.registry.told_case import RegistryRecord
from api.storage.unit_store import read_packaged_catalogue

KEY, OTHER = bytes(range(32)), bytes(range(1, 33))
CATALOGUE = read_packaged_catalogue()


def test_a_pseudonym_is_the_hmac_that_another_program_computes():
    """[RG1] By `printf 'registry_patient\\0patient/p-1' | openssl dgst -sha256 -mac HMAC ...`."""
    assert (
        make_pseudonym(KEY, "registry_patient", "patient/p-1") == "45c9e3ddc7e70cbcef666a6e8cd44b54"
    )


def test_records_of_two_sites_or_two_kinds_have_nothing_in_common():
    """[RG1] The planted bug it has caught: the kind left out of what is hashed."""
    names = {
        make_pseudonym(key, kind, f"patient/p-{number}")
        for key in (KEY, OTHER)
        for kind in ("registry_patient", "registry_case")
        for number in range(250)
    }

    assert len(names) == 1_000


def test_how_late_something_is_told_follows_from_key_and_case_alone():
    """[RG17] 6,100 cases over 61 numbers: each comes 100 times, more or less.

    The planted bug it has caught: the delay that is the shift modulo 61, so that one tells the
    other.
    """
    cases = [f"case/c-{number}" for number in range(6_100)]
    found = [find_delay(KEY, one) for one in cases]

    assert found == [find_delay(KEY, one) for one in cases]
    assert set(found) == set(range(MOST_DELAY + 1))
    assert all(50 < found.count(days) < 160 for days in set(found))
    assert sum(a == find_delay(OTHER, one) for a, one in zip(found, cases, strict=True)) < 200
    moved = [find_shift(KEY, one) % (MOST_DELAY + 1) for one in cases]
    assert sum(a == b for a, b in zip(found, moved, strict=True)) < 200


def test_days_are_moved_by_every_number_but_none_about_equally_often():
    """[RG2] 36,400 patients over 364 numbers: each comes 100 times, more or less.

    The planted bug it has caught: 0 among the numbers.
    """
    found = [find_shift(KEY, f"patient/p-{number}") for number in range(36_400)]
    counts = {days: found.count(days) for days in set(found)}

    assert set(counts) == {*range(-MOST_DAYS, 0), *range(1, MOST_DAYS + 1)}
    assert 50 < min(counts.values()) <= max(counts.values()) < 160


def test_the_same_key_and_patient_always_move_alike_and_another_key_does_not():
    """[RG2]"""
    subjects = [f"patient/p-{number}" for number in range(200)]
    first = [find_shift(KEY, one) for one in subjects]

    assert first == [find_shift(KEY, one) for one in subjects]
    alike = sum(a == find_shift(OTHER, one) for a, one in zip(first, subjects, strict=True))
    assert alike < 10


@pytest.mark.parametrize("seed", range(40))
def test_intervals_of_one_patient_stay_true_whatever_record_a_day_stands_in(seed):
    """[RG2] [HAZ-49] Random patients with random days in records of every kind.

    The planted bug it has caught: the days moved by the case instead of the patient.
    """
    draw = random.Random(seed)
    days = [add_days("2024-01-01", draw.randrange(900)) for _ in range(6)]
    subject = f"patient/p-{seed}"
    records = [
        ("registry_patient", {"died_on": days[0]}),
        ("registry_case", {"treated_on": days[1], "seen_on": days[2]}),
        ("registry_look", {"looked_on": days[3]}),
        ("registry_event", {"happened_on": days[4]}),
        ("registry_case", {"treated_on": days[5]}),
    ]
    moved = [
        value
        for number, (kind, fields) in enumerate(records)
        for value in disguise(
            RegistryRecord(kind=kind, name=f"case/{number}", subject=subject, fields=fields),
            KEY,
            CATALOGUE,
            unit="",
        )[1].values()
    ]

    assert [days_between(days[0], one) for one in days] == [
        days_between(moved[0], one) for one in moved
    ]
    assert moved[0] == shift_date(days[0], find_shift(KEY, subject)) != days[0]


def test_what_is_no_field_of_its_type_leaves_by_no_door():
    """[RG8] [SEC-24] The last door stands alone: whatever came before it.

    The planted bug it has caught: texts let through whole.
    """
    record = RegistryRecord(
        kind="registry_implant",
        name="case/c-1|coil",
        subject="patient/p-1",
        fields={
            "case": "case/c-1",
            "item": "the coil of Ada Greyfen",
            "lot": "for Mrs Greyfen, ward 3",
            "identifier": "04012345678901",
            "count": "many",
            "lot_unknown": 1,
            "expires_on": "2028-04-30",
            "serial": "SN-5511",
        },
    )
    name, fields = disguise(record, KEY, CATALOGUE, unit="unit-1")

    assert fields == {
        "case": f"registry_case/{make_pseudonym(KEY, 'registry_case', 'case/c-1')}",
        "identifier": "04012345678901",
        "expires_on": "2028-04-30",
    }
    assert name == f"registry_implant/{make_pseudonym(KEY, 'registry_implant', record.name)}"


def test_nothing_but_kinds_of_a_unit_goes_through():
    """[RG8]"""
    for kind in ("patient", "network_recall", "nothing"):
        record = RegistryRecord(kind=kind, name="x", subject="x", fields={})
        with pytest.raises(ValueError, match="Name a registry kind"):
            disguise(record, KEY, CATALOGUE, unit="")
