"""Add a member of staff, as an operation that the unit server itself writes."""

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.clock import next_stamp, read_stamp
from sync.operation import Body, make_operation

SERVER_DEVICE = "unit-server"
_LONGEST_NAME = 80


def add_staff(
    store: UnitStore, name: str, role: str, *, new_id: str, new_epoch: str, salt: str, now_ms: int
) -> str:
    """Write the person into the log of the server and return the record, ``staff/<id>``.

    Parameters
    ----------
    new_epoch : str
        Begins the server's own log when this generation of the store has none.

    Raises
    ------
    NotAllowedError
        No such role, or no usable name. Nothing is written.
    """
    roles = next(
        field.values for field in store.catalogue.kinds["staff"].fields if field.id == "role"
    )
    if role not in roles:
        message = f"There is no role {role[:24]!r}. Choose one of {', '.join(roles)}."
        raise NotAllowedError(message)
    if not 1 <= len(name.strip()) <= _LONGEST_NAME:
        message = f"Give a name of 1 to {_LONGEST_NAME} characters."
        raise NotAllowedError(message)
    record = f"staff/{new_id}"
    with store.transaction():
        # A store put back from a backup has a new generation: it cannot prove that it continues
        # the log that it had written itself (EX4).
        epoch_fact = f"epoch of {store.fact('generation')}"
        epoch = store.fact(epoch_fact)
        if epoch is None:
            epoch = new_epoch
            store.keep_fact(epoch_fact, epoch)
        tip = store.operations.tip_of(SERVER_DEVICE, epoch)
        last = read_stamp(store.fact("last stamp") or "")
        stamp = str(next_stamp(last, wall_ms=now_ms, device=SERVER_DEVICE))
        operation = make_operation(
            device=SERVER_DEVICE,
            epoch=epoch,
            counter=tip.counter + 1,
            previous=tip.hash,
            stream=store.catalogue.kinds["staff"].stream,
            record=record,
            stamp=stamp,
            body=Body(
                salt=salt,
                by=record,
                tapped_by=record,
                catalogue=store.catalogue.version,
                set={"name": name.strip(), "role": role, "active": True},
                because="added on the unit server",
            ),
        )
        store.operations.append([operation], received_ms=now_ms)
        store.views.refresh([record])
        store.keep_fact("last stamp", stamp)
    return record
