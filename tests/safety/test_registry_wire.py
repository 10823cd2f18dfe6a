"""What leaves a unit for its network: nothing outside the list below, whatever stands in a record.

Every field of every kind of the unit holds a word, number or day that stands nowhere else; each
that is found again in an operation for the network must be one that is meant to be there.
"""

import json
from collections import Counter

import pytest

from api.clinical_rules.civil_date import add_days, days_between, is_civil_date
from api.record_catalogue.catalogue import REGISTRY
from api.registry.date_shift import find_shift
from api.registry.disguise import disguise
from api.storage.site_key import load_site_key
from api.use_cases.linkage_setting import allow_linkage
from api.use_cases.read_registry_cases import read_registry_records
from sync.merge_policies import MergePolicy
from tests.unit.api.registry_unit import TODAY, registry_unit

WORD, NAME = "zqcanary", "zqname"
FIRST_NUMBER, FIRST_DAY = 41_000, "2024-01-01"
KINDS = {
    kind: f"{kind}/{NAME}-{kind.replace('_', '-')}"
    for kind in ("patient", "case", "target", "puncture", "visit", "package_opened", "past_import")
}
REFERENCES = {
    **{field: KINDS[field] for field in ("patient", "case", "visit", "target", "puncture")},
    "package": KINDS["package_opened"],
    "imported_in": KINDS["past_import"],
    "stock": f"stock_item/{NAME}",
    "owner": f"staff/{NAME}",
    "by": f"staff/{NAME}",
}
# So that the case is told at all, and all of it.
AS_IN_LIFE = {
    ("case", "stage"): "closed",
    ("visit", "case"): KINDS["case"],
    ("visit", "status"): "attended",
    ("package_opened", "item"): "needle",
    ("package_opened", "fate"): "used",
    ("lab_result", "analyte"): "bilirubin",
    ("complication", "what"): "embolism",
    ("visit_result", "doppler_flow"): "no",
    ("visit_result", "retreated"): False,
    ("staff", "active"): True,
}
# Source in the unit to field for the network. Adhesive is told as the pure share, by sum.
MAY_LEAVE = {
    ("coil_placed.device.lot", "registry_implant.lot"),
    ("package_opened.device.lot", "registry_implant.lot"),
    ("adhesive_injected.device.lot", "registry_implant.lot"),
    ("target.size.short_axis_um", "registry_case.short_axis_um"),
    ("puncture.at", "registry_case.treated_on"),
    ("visit_result.on", "registry_look.looked_on"),
    ("complication.at", "registry_event.happened_on"),
    ("visit_result.bled.on", "registry_event.happened_on"),
}


class Planted:
    """Draws what stands nowhere else, and knows of each where it was planted."""

    def __init__(self, *, wild):
        self.wild, self.count = wild, 0
        self.words, self.numbers, self.days = {}, {}, {}

    def of(self, source, field):
        self.count += 1
        kind, values = field["type"], field.get("values", ())
        word = f"{WORD}{self.count:04d}"
        day = add_days(FIRST_DAY, self.count)
        match kind:
            case "whole_number":
                self.numbers[FIRST_NUMBER + self.count] = source
                return FIRST_NUMBER + self.count
            case "boolean":
                return True
            case "date":
                self.days[day] = source
                return day
            case "instant":
                self.days[day] = source
                return f"{day}T09:00:00+00:00"
            case "choice" if not self.wild:
                return values[0]
            case "list" if values and not self.wild:
                return list(values[:1])
            case "list":
                self.words[word] = source
                return [word, {"note": word}]
            case "structure":
                parts = field.get("fields", ())
                self.words[word] = source
                return {
                    **{one["id"]: self.of(f"{source}.{one['id']}", one) for one in parts},
                    # What no catalogue knows, in every structure.
                    "note": word,
                }
            case "reference":
                return REFERENCES.get(source.rpartition(".")[2], f"staff/{NAME}")
            case _:
                self.words[word] = source
                return word


def as_field(field):
    return {
        "id": field.id,
        "type": field.type,
        "values": field.values,
        "fields": field.fields,
    }


def plant(unit, *, wild):
    """Write one record of every kind of the unit, every field of it a canary."""
    planted = Planted(wild=wild)
    kinds = [kind for kind in unit.store.catalogue.kinds.values() if kind.stream != REGISTRY]
    for kind in sorted(kinds, key=lambda one: one.id != "puncture"):
        fields = {}
        for field in kind.fields:
            given = AS_IN_LIFE.get((kind.id, field.id))
            if given is None and field.merge is MergePolicy.FURTHEST:
                given = field.rank[-1]
            source = f"{kind.id}.{field.id}"
            fields[field.id] = planted.of(source, as_field(field)) if given is None else given
        if "device" in fields:
            fields["device"] |= {"lot_unknown": False}
        if kind.id == "site":
            fields["time_zone"] = "Europe/London"
        unit.write(KINDS.get(kind.id, f"{kind.id}/{NAME}-{kind.id.replace('_', '-')}"), **fields)
    return planted


def leaves(value, path):
    if isinstance(value, dict):
        for key, part in value.items():
            yield from leaves(part, f"{path}.{key}")
    elif isinstance(value, list):
        for part in value:
            yield from leaves(part, path)
    else:
        yield path, value


def told_leaves(unit):
    for operation in unit.operations():
        for field, value in json.loads(operation.body_text)["set"].items():
            yield from leaves(value, f"{operation.kind}.{field}")


def everything(unit):
    return "\n".join(f"{one.envelope_text}\n{one.body_text}" for one in unit.operations())


@pytest.fixture(params=[False, True], ids=["words-of-the-lists", "any-words"])
def planted(request, tmp_path):
    with registry_unit(tmp_path / "unit") as unit:
        unit.planted = plant(unit, wild=request.param)
        unit.wild = request.param
        allow_linkage(unit.store, "5a" * 16)
        assert unit.publish() >= 6
        yield unit


def test_two_hundred_canaries_and_more_are_planted_and_the_case_is_told(planted):
    """[SEC-24] A test that planted nothing, or told nothing, would hold."""
    counts = Counter(one.kind for one in planted.operations())

    assert planted.planted.count > 200
    assert set(counts) >= {
        *("registry_patient", "registry_case", "registry_implant"),
        *("registry_look", "registry_event"),
    }


def test_nothing_but_the_allow_list_leaves_the_unit(planted):
    """[SEC-24] [HAZ-49] [DM-13] [RG8] Words, numbers and days, each by where it was planted.

    Planted bugs it has caught: the serial number told as the lot, days not moved, and the sex as
    it was written among the traits.
    """
    told = planted.planted
    said = everything(planted)
    days = find_shift(load_site_key(planted.store.folder), KINDS["patient"])
    found = set()
    for path, value in told_leaves(planted):
        if isinstance(value, bool):
            continue
        if isinstance(value, int) and value in told.numbers:
            found.add((told.numbers[value], path))
        elif isinstance(value, str) and is_civil_date(value) and "expires_on" not in path:
            # Moved back it is a day of the unit, and not a day of the unit as it stands.
            source = told.days.get(add_days(value, -days), "no day of the unit")
            found.add((source, path))
        elif isinstance(value, str):
            found.update((source, path) for word, source in told.words.items() if word in value)
    beside = {word for word, source in told.words.items() if word in said} - {
        word
        for path, value in told_leaves(planted)
        for word in told.words
        if isinstance(value, str) and word in value
    }

    # The last days seen and asked are the latest of several, each told elsewhere.
    latest = ("registry_case.seen_on", "registry_case.asked_on")
    found = {(source, path) for source, path in found if path not in latest}
    assert found <= MAY_LEAVE
    assert planted.wild or found == MAY_LEAVE, "the list names what never leaves"
    assert beside == set(), "in an envelope or beside what is set"


def test_no_name_of_a_record_person_or_place_of_the_unit_leaves_it(planted):
    """[SEC-24] [RG1] Ids are often made of names: none goes, of no kind; no person, no device."""
    said = everything(planted)

    for word in (NAME, "staff/", "tablet-a", "patient/p", '"case/', "Europe", "Tarn"):
        assert word not in said, word


def test_no_day_of_the_unit_leaves_as_it_stands(planted):
    """[SEC-24] [RG2] Each day that is told, beside the day of the record that it was made of."""
    key, store = load_site_key(planted.store.folder), planted.store
    days = find_shift(key, KINDS["patient"])
    compared = []
    for record in read_registry_records(store, on=TODAY):
        name, _ = disguise(record, key, store.catalogue, unit="")
        told = planted.told(record.kind)[name]
        for field, real in record.fields.items():
            if field != "expires_on" and isinstance(real, str) and is_civil_date(real):
                (moved,) = told[field]
                compared.append((field, days_between(real, moved)))

    days_told = {"treated_on", "seen_on", "asked_on", "looked_on", "happened_on"}
    assert {field for field, _ in compared} >= days_told
    assert {moved for _, moved in compared} == {days} != {0}
