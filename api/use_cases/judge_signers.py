"""Judges whether a person may write what a row of the authorisation table grants to people alone.

A device may write a signature; whether its signer may sign is asked of the staff record, which the
unit's server alone writes. So it is no matter of a tablet's screen.
"""

from collections.abc import Iterable, Sequence

from api.storage.packaged_access import read_packaged_access_table
from api.storage.unit_store import UnitStore
from api.use_cases.server_log import SERVER_DEVICE
from sync.operation import Operation, decode_body

_PEOPLE = "staff/"


def why_not_by_person(store: UnitStore, operations: Sequence[Operation]) -> list[str | None]:
    """Return of each operation why whoever answers for it may not write it, None where they may.

    Somebody of whom no staff record tells a role stays as stated. Of somebody who was given several
    roles in time each counts: a later one undoes no signature of before (as CV12 has it).

    Notes
    -----
    SEC-22, HAZ-25. Runs inside a transaction.
    """
    table = read_packaged_access_table()
    places = {(one.stream, one.kind) for one in operations}
    signers = {place: table.people_who_write(*place) for place in places}
    return [
        _judge(store, one, may) if (may := signers[one.stream, one.kind]) else None
        for one in operations
    ]


def _judge(store: UnitStore, operation: Operation, signers: Iterable[str]) -> str | None:
    if operation.body_text is None or operation.device == SERVER_DEVICE:
        return None
    body = decode_body(operation.body_text)
    # To strike one is no signature.
    if not body.set:
        return None
    roles = _roles_of(store, body.by)
    if not roles or not roles.isdisjoint(signers):
        return None
    may = " or ".join(signers)
    return (
        f"{operation.op_id} is a signature by {body.by}, {' and '.join(sorted(roles))} at this "
        f"unit, whose role does not sign a case. It is kept aside for the data manager and counts "
        f"for nothing: have somebody of the role {may} sign the case."
    )


def _roles_of(store: UnitStore, person: str) -> set[str]:
    """Return every role that a person was ever given."""
    if not person.startswith(_PEOPLE):
        return set()
    told = [
        decode_body(one.body_text).set.get("role")
        for one in store.operations.of_record(person)
        if one.body_text is not None
    ]
    return {role for role in told if isinstance(role, str) and role}
