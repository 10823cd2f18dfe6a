"""Limits of sizing that a hub drafts, releases and offers, and how they come to a unit."""

import json

from api.storage.packaged_files import read_packaged_rule_files
from api.use_cases.add_staff import add_staff
from api.use_cases.network_rule_files import send_rule_file
from api.use_cases.release_rule_files import (
    approve_rule_file,
    list_rule_files,
    propose_rule_file,
)
from tests.unit.api.quality_records import TODAY
from tests.unit.api.standing_unit import NOON_MS

LIMITS = json.loads(read_packaged_rule_files()["sizing/limits.v2.json"])


def draft_limits(version=1001, **changed):
    """Return a version of the limits with changed amounts, by item."""
    rows = [{**row, "amount": changed.get(row["item"], row["amount"])} for row in LIMITS["rows"]]
    return json.dumps({**LIMITS, "version": version, "rows": rows}).encode()


def release_limits(hub, content, version=1001):
    """Let two people of the hub approve a version of its own."""
    ada = add_staff(hub.store, "Ada Reedmace", "endoscopist", by="", chance=hub.chance())
    piers = add_staff(hub.store, "Piers Larkspire", "data-manager", by="", chance=hub.chance())
    propose_rule_file(hub.store, content, by=ada, chance=hub.chance())
    for one in (ada, piers):
        approve_rule_file(
            hub.store,
            "sizing/limits",
            version,
            by=one,
            from_on=TODAY,
            on=TODAY,
            chance=hub.chance(),
        )
    return piers


def offer_limits(hub, by, version=1001, because="Agreed in the network"):
    """Let the hub offer a version of the limits, and return its record."""
    return send_rule_file(
        hub.store,
        "sizing/limits",
        version,
        by=by,
        because=because,
        on=TODAY,
        chance=hub.chance(),
    )


def carry_offer(hub, own, record):
    """Take to a unit what the hub wrote, as its line does."""
    with hub.store.transaction():
        operations = hub.store.operations.of_record(record)
    with own.transaction():
        held = {one.reference for one in own.operations.of_record(record)}
        fresh = [one for one in operations if one.reference not in held]
        own.operations.append(fresh, received_ms=NOON_MS)
        own.views.refresh([record])


def employ(own, hub, name, role):
    """Add somebody to a unit."""
    return add_staff(own, name, role, by="", chance=hub.chance())


def standing_limits(own):
    """Return where each version of the limits stands in a unit."""
    lines = list_rule_files(own, on=TODAY)
    return {one.version: one.standing for one in lines if one.name == "sizing/limits"}
