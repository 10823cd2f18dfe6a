"""Add a member of staff, as an operation that the unit server itself writes."""

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from api.use_cases.server_log import Chance, write_as_server

_LONGEST_NAME = 80


def add_staff(store: UnitStore, name: str, role: str, *, chance: Chance, by: str = "") -> str:
    """Write the person into the log of the server and return the record, ``staff/<id>``.

    Parameters
    ----------
    by : str
        Who adds, ``staff/<id>``; "" is a command at the server: the new record itself bears it.

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
    record = f"staff/{chance.new_id}"
    fields = {"name": name.strip(), "role": role, "active": True}
    because = "added on the unit server"
    with store.transaction():
        write_as_server(store, record, fields, by=by or record, because=because, chance=chance)
    return record
