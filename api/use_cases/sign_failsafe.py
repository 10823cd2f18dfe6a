"""The signature of a second person under the failsafe list of a day (FU-12, FL5)."""

from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.list_failsafe import FailsafeList, list_failsafe, list_failsafe_for
from api.use_cases.server_log import Chance, write_as_server
from sync.merge import shown_value


def sign_failsafe(
    store: UnitStore, *, prepared_by: str, signed_by: str, on: str, time_zone: str, chance: Chance
) -> FailsafeList:
    """Record that a second person went through today's list; return the list that was signed.

    Raises
    ------
    NotAllowedError
        One person alone, or somebody who does not work here. Nothing is written.
    """
    with store.transaction():
        for person in (prepared_by, signed_by):
            _refuse_stranger(store, person)
        if prepared_by == signed_by:
            raise NotAllowedError("Two people sign the list. Let somebody else go through it too.")
        found = list_failsafe(store, on=on, time_zone=time_zone)
        fields = {
            "as_of_on": on,
            "listed": len(found.patients),
            "list_hash": found.list_hash,
            "prepared_by": prepared_by,
            "signed_by": signed_by,
        }
        record = f"failsafe_review/{chance.new_id}"
        because = "failsafe list signed"
        write_as_server(store, record, fields, by=signed_by, because=because, chance=chance)
    return found


def sign_failsafe_for(
    store: UnitStore,
    device: Device,
    *,
    prepared_by: str,
    signed_by: str,
    seen: str,
    on: str,
    time_zone: str,
    chance: Chance,
) -> FailsafeList:
    """Record the signature of a second person who went through the list on a device.

    Parameters
    ----------
    seen : str
        Hash of the list that was on screen.

    Raises
    ------
    NotAllowedError
        The device reads no care, the list is another one by now, or as in `sign_failsafe`. Nothing
        is written.
    """
    with store.transaction():
        found = list_failsafe_for(store, device, on=on, time_zone=time_zone)
        if found.list_hash != seen:
            raise NotAllowedError("The list has changed since it was prepared. Prepare it again.")
        sign_failsafe(
            store,
            prepared_by=prepared_by,
            signed_by=signed_by,
            on=on,
            time_zone=time_zone,
            chance=chance,
        )
        return list_failsafe(store, on=on, time_zone=time_zone)


def _refuse_stranger(store: UnitStore, person: str) -> None:
    state = store.views.state_of(person) if person.startswith("staff/") else None
    is_active = state and shown_value(state.fields.get("active")) is True
    if state is None or state.is_entered_in_error or not is_active:
        message = f"{person[:48]!r} does not work here. Name an active person: staff/<id>."
        raise NotAllowedError(message)
