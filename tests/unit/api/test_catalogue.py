"""The record catalogue: what it says, and that a broken one is refused with a sentence."""

import json
from pathlib import Path

import pytest

from api.record_catalogue.catalogue import CatalogueError, read_catalogue
from sync.merge_policies import MergePolicy

CONTENT = (Path(__file__).resolve().parents[3] / "api/record_catalogue/catalogue.json").read_bytes()

# Physically done to the patient: must never be merged away (HAZ-30).
PHYSICAL_KINDS = ("coil_placed", "adhesive_injected", "flush", "complication", "sign_off")
# Words that name a finding; none may stand in the stream a booking desk receives (SEC-23, FU-11).
FINDINGS = (
    "varix",
    "bleed",
    "ascites",
    "coil",
    "adhesive",
    "flow",
    "obliterat",
    "lab_result",
    "bilirubin",
)


@pytest.fixture(scope="module")
def catalogue():
    return read_catalogue(CONTENT)


def test_every_field_has_a_merge_policy_and_latest_is_for_notes_alone(catalogue):
    latest = {
        f"{kind.id}.{field.id}"
        for kind in catalogue.kinds.values()
        for field in kind.fields
        if field.merge is MergePolicy.LATEST
    }

    assert latest == {"patient.phone_note"}, "HAZ-31: last-write-wins is an allow-list of one"


@pytest.mark.parametrize("kind", PHYSICAL_KINDS)
def test_what_physically_happened_is_only_ever_kept(catalogue, kind):
    assert {policy.merge for policy in catalogue.policies_of(kind).values()} == {
        MergePolicy.KEEP_ALL
    }


def test_the_booking_stream_names_no_finding(catalogue):
    words = [
        word
        for kind in catalogue.kinds.values()
        if kind.stream == "booking"
        for field in kind.fields
        for word in (field.id, *field.values)
    ]

    assert [word for word in words if any(finding in word for finding in FINDINGS)] == []


def test_nothing_is_newer_than_the_catalogue_and_no_field_older_than_its_kind(catalogue):
    """What an older program does not know it keeps for later (MG8), told by these numbers.

    A part that came later than its structure says so itself.
    """
    newest = []
    for kind in catalogue.kinds.values():
        assert 1 <= kind.since <= catalogue.version
        for field in kind.fields:
            assert kind.since <= field.since <= catalogue.version, f"{kind.id}.{field.id}"
            parts = [part["since"] for part in field.fields if "since" in part]
            assert all(field.since < since for since in parts), f"{kind.id}.{field.id}"
            newest += [field.since, *parts]
    assert max(newest) == catalogue.version


def test_a_signed_failsafe_list_is_only_ever_kept(catalogue):
    """[FU-12] A second signature stands beside the first."""
    policies = catalogue.policies_of("failsafe_review").values()

    assert {policy.merge for policy in policies} == {MergePolicy.KEEP_ALL}


def test_an_unknown_kind_has_no_stream_and_no_policies(catalogue):
    assert catalogue.stream_of("from_a_newer_version") is None
    assert catalogue.policies_of("from_a_newer_version") == {}


@pytest.mark.parametrize(
    ("break_it", "sentence"),
    [
        (lambda file: file["kinds"][0].update(colour="x"), "cannot be read"),
        (lambda file: file["kinds"].append(file["kinds"][0]), "stands twice"),
        (lambda file: file["kinds"][1].update(parent="nobody"), "no field nobody"),
        (lambda file: file["kinds"][0]["fields"][0].update(rank=["a"]), "goes with `furthest`"),
        (lambda file: file["kinds"][0]["fields"][0].pop("merge"), "cannot be read"),
    ],
)
def test_a_catalogue_that_contradicts_itself_is_refused(break_it, sentence):
    file = json.loads(CONTENT)
    break_it(file)

    with pytest.raises(CatalogueError, match=sentence):
        read_catalogue(json.dumps(file).encode())
