"""The authorisation table: what it grants, and that a broken one is refused with a sentence."""

import json
from importlib import resources

import pytest

from api.access.access_table import AccessTableError, Asker, read_access_table
from api.record_catalogue.catalogue import REGISTRY
from api.storage.device_store import ROLE_STREAMS
from api.storage.packaged_access import read_packaged_access_table
from api.storage.unit_store import read_packaged_catalogue
from api.use_cases.server_words import DESK_ROLES

CONTENT = (resources.files("api.access") / "access_table.json").read_bytes()
CATALOGUE = read_packaged_catalogue()
TABLE = read_packaged_access_table()
BEDSIDE, BOOKING = Asker("device", "bedside"), Asker("device", "booking")
# Written by the server alone: with these a device could give itself a role, put a rule file in
# force, destroy a record, or sign a list that nobody saw.
SERVERS_OWN = {
    "erasure",
    "failsafe_review",
    "past_import",
    "recall_notice",
    "rule_file_release",
    "site",
    "staff",
}
# Objects that hold what was found in a patient, done to one, or who was treated.
OF_CARE = (
    "cases",
    "failsafe",
    "follow-up-check",
    "implants",
    "papers",
    "pictures",
)


def changed(change):
    content = json.loads(CONTENT)
    change(content)
    return json.dumps(content).encode()


@pytest.mark.parametrize(
    ("change", "part"),
    [
        (lambda it: it.update(colour="red"), "cannot be read"),
        (lambda it: it["objects"].append(it["objects"][0]), "access-events stands twice"),
        (lambda it: it["records"].append(it["records"][0]), "stands twice"),
        (lambda it: it["objects"][0]["verbs"].update(read=["person:owner"]), "person:owner"),
        (lambda it: it["records"][0].update(asker="device:owner"), "device:owner"),
        (lambda it: it["records"][0].update(stream="rumours"), "no kind travels"),
        (lambda it: it["records"][0].update(kinds={"patient": "*"}), "patient does not travel"),
        (lambda it: it["records"][0].update(kinds={"case": ["colour"]}), "no field colour"),
    ],
)
def test_a_broken_table_is_refused_by_its_row(change, part):
    with pytest.raises(AccessTableError, match=part):
        read_access_table(changed(change), CATALOGUE)


def test_what_has_no_row_is_not_allowed():
    """[SEC-21] Deny by default."""
    for name in TABLE.askers:
        kind, _, role = name.partition(":")
        asker = Asker(kind, role)
        assert not TABLE.may(asker, "read", "everything")
        assert not TABLE.may(asker, "shred", "papers")
        assert not TABLE.has("papers.shred")
    assert not TABLE.may(Asker("device", "owner"), "read", "health")


def test_the_streams_of_a_role_are_the_ones_that_the_store_hands_out():
    """[SEC-21] One truth: pulls, snapshots and events go by the same streams."""
    for role, streams in ROLE_STREAMS.items():
        asker = Asker("device", role)
        assert set(TABLE.streams_of(asker)) == set(streams)
        assert set(TABLE.streams_of(asker, "write")) <= set(streams)


def test_what_a_booking_desk_receives_is_a_reviewed_list_of_kinds_and_fields():
    """[FU-11] [SEC-22] [SEC-23] A field added to the booking stream is added here on purpose.

    Planted and caught: a field of the case moved into the booking stream of the catalogue.
    Caught: what is newer than the catalogue was granted as well.
    """
    grant = TABLE.grants["device:booking", "read", "booking"]
    assert not grant.keeps_newer
    assert not grant.is_open
    assert {kind: tuple(fields) for kind, fields in grant.kinds.items()} == {
        kind.id: tuple(field.id for field in kind.fields)
        for kind in CATALOGUE.kinds.values()
        if kind.stream == "booking"
    }
    assert "care" not in TABLE.streams_of(BOOKING)
    assert "care" not in TABLE.streams_of(BOOKING, "write")


def test_what_a_unit_may_send_to_its_hub_is_a_reviewed_list_of_kinds_and_fields():
    """[SEC-24] Named one by one, and nothing newer: what no row names does not enter the registry.

    Planted and caught: a field added to `registry_case` in the catalogue alone.
    """
    grant = TABLE.grants["device:unit", "write", REGISTRY]

    assert not grant.keeps_newer
    assert {kind: tuple(fields) for kind, fields in grant.kinds.items()} == {
        kind.id: tuple(field.id for field in kind.fields)
        for kind in CATALOGUE.kinds.values()
        if kind.stream == REGISTRY and kind.id.startswith("registry_")
    }
    unit = Asker("device", "unit")
    assert TABLE.streams_of(unit) == TABLE.streams_of(unit, "write") == (REGISTRY,)
    for kind in ("network_recall", "network_link", "network_rule_file", "case", "staff"):
        assert kind not in grant.kinds


def _names(fields):
    for field in fields:
        if isinstance(field, dict):
            yield field["id"]
            yield from _names(field.get("fields", ()))
        else:
            yield field.id
            yield from _names(field.fields)


def test_no_clinical_field_name_travels_to_a_booking_desk():
    """[FU-11] [SEC-23] Names of care fields and of their parts, over the whole catalogue.

    The names that both have are no finding: who, when, where, why.
    """
    care, booking = set(), set()
    for kind in CATALOGUE.kinds.values():
        if kind.stream == "care":
            care.update((kind.id, *_names(kind.fields)))
        elif kind.stream == "booking":
            booking.update((kind.id, *_names(kind.fields)))

    assert care & booking <= {
        "at",
        "case",
        "how",
        "label",
        "name",
        "on",
        "owner",
        "patient",
        "result",
        "rule_file",
        "visit",
    }


@pytest.mark.parametrize("asker", [BEDSIDE, BOOKING], ids=["bedside", "booking"])
def test_every_kind_is_decided_and_the_servers_own_is_written_by_no_device(asker):
    """[SEC-21] [RL12] A new kind is written by nobody until a row names it."""
    granted = {
        kind
        for (name, verb, _), grant in TABLE.grants.items()
        if (name, verb) == (asker.name, "write")
        for kind in grant.kinds
    }

    assert granted.isdisjoint(SERVERS_OWN)
    if asker == BEDSIDE:
        assert granted | SERVERS_OWN == {
            kind.id for kind in CATALOGUE.kinds.values() if kind.stream != REGISTRY
        }
    else:
        assert all(CATALOGUE.kinds[kind].stream != "care" for kind in granted)
        assert granted < {kind.id for kind in CATALOGUE.kinds.values() if kind.stream != "care"}


def test_fields_are_granted_one_by_one_and_what_is_newer_passes():
    """[SEC-21] [HAZ-38]"""

    def denied(kind, *fields, stream="booking", asker=BOOKING):
        return TABLE.fields_denied(
            asker, "write", CATALOGUE, stream=stream, kind=kind, fields=lambda: fields
        )

    assert denied("patient", "phone", "needs") == ()
    assert denied("patient", "field_of_next_year") == ()
    assert denied("kind_of_next_year", "anything") == ()
    assert denied("failsafe_review", "signed_by") is None
    assert denied("case", "varix_class") is None
    assert denied("case", "varix_class", stream="care") is None
    assert denied("case", "varix_class", stream="care", asker=BEDSIDE) == ()
    assert denied("staff", "role", stream="unit", asker=BEDSIDE) is None

    narrow = read_access_table(
        changed(lambda it: it["records"][-1]["kinds"]["stock_item"].remove("mr")), CATALOGUE
    )
    given = {"stream": "unit", "kind": "stock_item", "fields": lambda: ("name", "mr", "newer")}
    assert narrow.fields_denied(BOOKING, "write", CATALOGUE, **given) == ("mr",)


def test_what_people_of_the_desk_may_have():
    """[SEC-22] Audit alone, devices and users alone, nothing for training; no clinical object."""

    def having(role):
        return {
            f"{thing}.{verb}"
            for thing, row in TABLE.objects.items()
            for verb in row.verbs
            if TABLE.may(Asker("person", role), verb, thing) and not TABLE.is_public(verb, thing)
        }

    own = {need for need in having("training") if not need.startswith("session.")}
    assert own == set()
    for role in ("training", *DESK_ROLES, "booking"):
        assert not {need for need in having(role) if need.split(".")[0] in OF_CARE}
    auditors = {need for need in having("auditor") if not need.startswith("session.")}
    # An export is decided by somebody else than the data manager who asks for it (DM-08).
    exports = {"network-exports.read", "network-exports.decide"}
    assert auditors == {"access-events.read", *exports}
    for need in having("unit-admin"):
        assert need.split(".")[0] in (
            "session",
            "staff-codes",
            "unit-devices",
            "unit-staff",
            "log-ins",
            # The line to the hub, and counts alone.
            "network-line",
            "network-aside",
            "fleet",
            "quality",
            "outcomes",
            "recalls-here",
        )


def test_devices_that_wait_or_were_revoked_have_their_standing_and_what_they_hold():
    """[SEC-15] [EX12]"""

    def having(role):
        return {
            f"{thing}.{verb}"
            for thing, row in TABLE.objects.items()
            for verb in row.verbs
            if TABLE.may(Asker("device", role), verb, thing) and not TABLE.is_public(verb, thing)
        }

    assert having("waiting") == {"standing.read"}
    assert having("revoked") == {
        "access-events.note",
        "exchange.handshake",
        "exchange.push",
        "exchange.resupply",
        "standing.read",
        "standing.clear",
    }
