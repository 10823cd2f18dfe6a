"""What only the unit server may say (RL12).

That a rule file counts, that the unit is live, that a record is erased, and that somebody of the
staff is a person of the desk who logs in at the server: with such a word a device could give itself
a role, or destroy what others wrote.
"""

from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.unit_rules import RELEASE_KIND
from sync.operation import Operation, decode_body

# Roles that open the Unit desk: who has one was let in there by the server.
DESK_ROLES = ("unit-admin", "data-manager", "auditor")
# What a device may bring back in the server's name: what the server registers, and what it plans or
# imports; of the latter only what that device may write itself.
REGISTERED_KINDS = ("lot_search", "past_import")
_NOTICE = "recall_notice"
_NETWORK_NOTICE = "network_recall"
_VISIT = "visit"
_BROUGHT_KINDS = (
    *REGISTERED_KINDS,
    _NOTICE,
    "clinic_session",
    "patient",
    "case",
    "target",
    "lab_result",
    "coil_placed",
    "adhesive_injected",
    "complication",
    "step_event",
    _VISIT,
    "visit_result",
)
_ALONE = (RELEASE_KIND, "erasure")
_WATCHED = (*_ALONE, "site", "staff")


def refuse_server_words(
    operation: Operation, *, is_vouched: bool = False, is_by_hand: bool = False
) -> str | None:
    """Return why an operation that came from outside may not say this, None where it may.

    Parameters
    ----------
    operation : Operation
        With its body; one whose body is withheld says nothing.
    is_vouched : bool
        A person of the unit vouches for what bears the unit server's name: without that, anybody
        could have written it.
    is_by_hand : bool
        A person at the server brings it and vouches for the people that it names.
    """
    if operation.body_text is None or (is_vouched and operation.device == SERVER_DEVICE):
        return None
    text, kind = operation.body_text, operation.kind
    # Most entries cannot: their body need not be read. A key with a backslash may be any key.
    if kind not in _WATCHED and '"retract"' not in text and "\\" not in text:
        return None
    body = decode_body(text)
    takes_back = any(reference.startswith(f"{SERVER_DEVICE}.") for reference in body.retract)
    is_live = kind == "site" and ("live_from" in body.set or "live_from" in body.over)
    is_of_desk = kind == "staff" and not is_by_hand and body.set.get("role") in DESK_ROLES
    if kind not in _ALONE and not is_live and not is_of_desk and not takes_back:
        return None
    return (
        f"{operation.op_id} speaks for the unit server: rule files, going live, erasure and roles "
        "of the desk are decided there. It is kept aside; decide it there again if it was meant."
    )


def refuse_brought_words(operation: Operation, *, is_begun: bool) -> str | None:
    """Return why a device may not bring this back in the server's name, None where it may (EX10).

    Nothing proves that the server wrote it. A notice of recall may be told and not withdrawn: one
    too many is seen, one too few is not. A visit may be begun and not changed, since acts of the
    server are not judged by the course of the visit (CV14).

    Parameters
    ----------
    is_begun : bool
        Something is held of the record already.
    """
    kind = operation.kind
    body = decode_body(operation.body_text) if operation.body_text is not None else None
    changes = is_begun or (body is not None and (body.over or body.retract))
    if kind in _BROUGHT_KINDS and not (kind in (_NOTICE, _VISIT) and changes):
        return None
    return (
        f"{operation.op_id} is said to be the unit server's, and {operation.device} has not signed "
        f"it here: {kind} comes back this way only as far as it gives nobody a say. It is kept "
        "aside; enter it at the server again if it was meant."
    )


def refuse_brought_notice(operation: Operation, *, is_begun: bool) -> str | None:
    """Return why a unit may not bring this back in the hub's name, None where it may (RG13).

    A notice of recall may be told and not withdrawn or changed: one too many is seen, one too few
    is not. Links are found anew from the registry, and a rule file is sent anew by a person.
    """
    body = decode_body(operation.body_text) if operation.body_text is not None else None
    changes = is_begun or body is None or bool(body.over or body.retract)
    if operation.kind == _NETWORK_NOTICE and not changes:
        return None
    return (
        f"{operation.op_id} is said to be the hub's, and no signature of the hub came with it: of "
        "such only the beginning of a recall comes back by a unit. It is kept aside, and the "
        "hub's desk lists it under Units; do it again there if it was meant."
    )
