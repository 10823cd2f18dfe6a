"""Rule files of the network over HTTP: write a version, approve it, send and withdraw it."""

from typing import Annotated, Any

import msgspec
from litestar import Request, get, post
from litestar.params import JSONBody, QueryParameter

from api.routes.access_events import note_asker
from api.routes.surroundings import Around, Surroundings
from api.use_cases.compared_rule_files import RuleFileChanges, read_changes
from api.use_cases.list_network_rules import NetworkRules, list_network_rules
from api.use_cases.network_drafts import CheckedText, RuleFileText, check_text, write_next_text
from api.use_cases.network_rule_files import send_rule_file, withdraw_rule_file
from api.use_cases.release_rule_files import approve_rule_file, propose_rule_file

_OBJECT = "network-rule-files"
_Name = Annotated[str, msgspec.Meta(max_length=100)]
_Number = Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]
_Why = Annotated[str, msgspec.Meta(max_length=500)]
# Ten times the longest rule file of the program.
_Text = Annotated[str, msgspec.Meta(max_length=200_000)]
_Word = Annotated[str, QueryParameter(max_length=100)]
_Version = Annotated[int, QueryParameter(ge=1, le=1_000_000)]


class WrittenRuleFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The text of a rule file as somebody wrote it."""

    text: _Text


class RuleFileToApprove(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which version somebody approves."""

    file: _Name
    version: _Number


class RuleFileToSend(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which version to offer to the units, or to take back from them, and why."""

    file: _Name
    version: _Number
    because: _Why


@get(
    "/api/network/rule-files",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.read"},
)
def get_network_rule_files(around: Around) -> NetworkRules:
    """Say which rule files the hub holds and offers, and where they stand at each unit."""
    return _list(around)


@get(
    "/api/network/rule-file-changes",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.read"},
)
def get_rule_file_changes(around: Around, file: _Word, version: _Version) -> RuleFileChanges:
    """Say what a version changes against the one in force, in words and numbers."""
    return read_changes(around.store, file, version, on=around.today())


@get(
    "/api/network/rule-file-text",
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.propose"},
)
def get_rule_file_text(around: Around, file: _Word) -> RuleFileText:
    """Hand out the text in force of a rule file under the next number, to be changed."""
    return write_next_text(around.store, file, on=around.today())


@post(
    "/api/network/rule-file-checks",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.propose"},
)
def post_rule_file_check(data: JSONBody[WrittenRuleFile], around: Around) -> CheckedText:
    """Say all that is wrong with a text, or what it changes; nothing is kept."""
    return check_text(around.store, data.text, on=around.today())


@post(
    "/api/network/rule-file-drafts",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.propose"},
)
def post_rule_file_draft(
    request: Request[Any, Any, Any], data: JSONBody[WrittenRuleFile], around: Around
) -> NetworkRules:
    """Lay a text down as a draft, which counts nowhere before two people approved it."""
    by = note_asker(request, around, "propose", _OBJECT).id
    propose_rule_file(around.store, data.text.encode(), by=by, chance=around.draw_chance())
    return _list(around)


@post(
    "/api/network/rule-file-approvals",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.approve"},
)
def post_rule_file_approval(
    request: Request[Any, Any, Any], data: JSONBody[RuleFileToApprove], around: Around
) -> NetworkRules:
    """Approve a version at the hub from today; two people do, one of them an endoscopist."""
    why = f"{data.file} version {data.version}"
    by = note_asker(request, around, "approve", _OBJECT, why=why).id
    on = around.today()
    approve_rule_file(
        around.store,
        data.file,
        data.version,
        by=by,
        from_on=on,
        on=on,
        chance=around.draw_chance(),
    )
    return _list(around)


@post(
    "/api/network/rule-files",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.send"},
)
def post_network_rule_file(
    request: Request[Any, Any, Any], data: JSONBody[RuleFileToSend], around: Around
) -> NetworkRules:
    """Offer an approved version to all units; each decides for itself."""
    why = f"{data.file} version {data.version}: {data.because}"
    by = note_asker(request, around, "send", _OBJECT, why=why).id
    send_rule_file(
        around.store,
        data.file,
        data.version,
        by=by,
        because=data.because,
        on=around.today(),
        chance=around.draw_chance(),
    )
    return _list(around)


@post(
    "/api/network/rule-file-withdrawals",
    status_code=200,
    tags=["network"],
    sync_to_thread=True,
    opt={"needs": f"{_OBJECT}.withdraw"},
)
def post_rule_file_withdrawal(
    request: Request[Any, Any, Any], data: JSONBody[RuleFileToSend], around: Around
) -> NetworkRules:
    """Take an offer back: it can no longer be taken, and who has it is told why."""
    why = f"{data.file} version {data.version}: {data.because}"
    by = note_asker(request, around, "withdraw", _OBJECT, why=why).id
    withdraw_rule_file(
        around.store,
        data.file,
        data.version,
        by=by,
        because=data.because,
        chance=around.draw_chance(),
    )
    return _list(around)


def _list(around: Surroundings) -> NetworkRules:
    now_ms = around.environment.now_ms()
    return list_network_rules(around.store, on=around.today(), now_ms=now_ms)
