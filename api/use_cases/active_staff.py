"""Who works at the unit now: a command that writes names one of them."""

from api.storage.unit_store import UnitStore
from api.use_cases.errors import NotAllowedError
from sync.merge import shown_value


def refuse_stranger(store: UnitStore, by: str) -> None:
    """Refuse somebody who is no active member of staff; inside a transaction.

    Raises
    ------
    NotAllowedError
        No such person, or one who has left.
    """
    state = store.views.state_of(by) if by.startswith("staff/") else None
    if state is None or shown_value(state.fields.get("active")) is not True:
        message = f"{by} is no active member of staff. Add the person: crura staff add."
        raise NotAllowedError(message)
