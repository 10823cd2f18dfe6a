"""The hub's desk over HTTP: the fleet, the quality of the units' data, shared rule files."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody, QueryParameter

from api.clinical_rules.errors import RuleFileError
from api.routes.access_events import note_asker
from api.routes.surroundings import Around
from api.use_cases.errors import CalculationError
from api.use_cases.list_network_rules import NetworkRules, list_network_rules
from api.use_cases.network_rule_files import read_held_version, send_rule_file
from api.use_cases.read_fleet import Fleet, read_fleet
from api.use_cases.read_network_quality import NetworkQuality, read_network_quality
from api.use_cases.rule_file_diff import diff_rule_files

_Name = Annotated[str, msgspec.Meta(max_length=100)]
_Word = Annotated[str, QueryParameter(max_length=100)]
_Version = Annotated[int, QueryParameter(ge=1, le=1_000_000)]


class RuleFileToSend(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which version to offer to the units, and why."""

    file: _Name
    version: Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]
    because: Annotated[str, msgspec.Meta(max_length=500)]


class RuleFileChanges(msgspec.Struct, frozen=True):
    """What changes from one version to another, a sentence each."""

    sentences: list[str]


@get("/api/network/fleet", tags=["network"], sync_to_thread=True, opt={"needs": "fleet.read"})
def get_fleet(around: Around) -> Fleet:
    """Say of each unit and device when it was last heard of, the longest silent first."""
    return read_fleet(around.store, now_ms=around.environment.now_ms())


@get(
    "/api/network/quality",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-quality.read"},
)
def get_network_quality(around: Around, unit: _Word = "") -> NetworkQuality:
    """Say how many records of each unit break which rule, over time, and how complete they are."""
    now_ms = around.environment.now_ms()
    return read_network_quality(around.store, now_ms=now_ms, today=around.today(), unit=unit)


@get(
    "/api/network/rule-files",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-rule-files.read"},
)
def get_network_rule_files(around: Around) -> NetworkRules:
    """Say which rule files the hub holds and offers, and what each unit did with them."""
    now_ms = around.environment.now_ms()
    return list_network_rules(around.store, on=around.today(), now_ms=now_ms)


@get(
    "/api/network/rule-file-changes",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-rule-files.read"},
)
def get_rule_file_changes(
    around: Around, file: _Word, old: _Version, new: _Version
) -> RuleFileChanges:
    """Say what changes from one version of a rule file to another, in words and numbers."""
    before = read_held_version(around.store, file, old)
    after = read_held_version(around.store, file, new)
    try:
        return RuleFileChanges(diff_rule_files(before, after))
    except RuleFileError as error:
        raise CalculationError(str(error)) from error


@post(
    "/api/network/rule-files",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": "network-rule-files.send"},
)
def post_network_rule_file(
    request: Request[Any, Any, Any], data: JSONBody[RuleFileToSend], around: Around
) -> NetworkRules:
    """Offer an approved version to all units; each decides for itself."""
    why = f"{data.file} version {data.version}: {data.because}"
    by = note_asker(request, around, "send", "network-rule-files", why=why).id
    send_rule_file(
        around.store,
        data.file,
        data.version,
        by=by,
        because=data.because,
        on=around.today(),
        chance=around.draw_chance(),
    )
    now_ms = around.environment.now_ms()
    return list_network_rules(around.store, on=around.today(), now_ms=now_ms)
