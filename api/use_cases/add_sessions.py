"""Lay out a season of clinic sessions from a weekly pattern, as operations of the unit server."""

from collections import Counter
from collections.abc import Callable

import msgspec

from api.booking.clinic_calendar import LaidOutSession, lay_out_sessions
from api.booking.clinic_pattern import read_pattern
from api.booking.errors import BookingError
from api.storage.unit_store import UnitStore
from api.use_cases.active_staff import refuse_stranger
from api.use_cases.booking_records import read_booking_records
from api.use_cases.closed_days import has_country, name_country
from api.use_cases.errors import CalculationError
from api.use_cases.server_log import Chance, write_as_server


class Season(msgspec.Struct, frozen=True, kw_only=True):
    """What was laid out.

    Parameters
    ----------
    added, already : int
        Sessions that are new, and those that stood there before and were left as they are.
    closed : dict
        How many of the new ones do not take place, by reason.
    """

    added: int
    already: int
    closed: dict[str, int]


def add_sessions(
    store: UnitStore, content: bytes, *, by: str, draw_chance: Callable[[], Chance]
) -> Season:
    """Write every session of the pattern that does not stand there yet.

    Parameters
    ----------
    content : bytes
        The pattern as JSON.
    by : str
        The person who lays them out, ``staff/<id>``.

    Raises
    ------
    CalculationError
        The pattern cannot be used.
    NotAllowedError
        The person is no active member of staff. Nothing is written.

    Notes
    -----
    The first pattern that names a country names that of the unit, for its devices. Closed ones are
    written too, with their capacity and why. A session that stands at the same
    place, day and time is left as it is, also one that was changed or struck since.
    """
    try:
        pattern = read_pattern(content)
        sessions = lay_out_sessions(pattern)
    except BookingError as error:
        raise CalculationError(str(error)) from error
    with store.transaction():
        refuse_stranger(store, by)
        held = read_booking_records(store).sessions.values()
        taken = {(one.place, one.on, one.starts) for one in held}
        new = [
            one
            for one in sessions
            if (one.place, one.on, one.starts) not in taken
            and store.views.state_of(one.record) is None
        ]
        for one in new:
            because = f"closed: {one.closed_note}" if one.closed_note else "laid out from a pattern"
            write_as_server(
                store, one.record, _fields(one), by=by, because=because, chance=draw_chance()
            )
        if pattern.country and not has_country(store):
            name_country(store, pattern.country, pattern.subdivision, by=by, chance=draw_chance())
    closed = Counter(one.closed_because for one in new if one.closed_because)
    return Season(
        added=len(new), already=len(sessions) - len(new), closed=dict(sorted(closed.items()))
    )


def _fields(session: LaidOutSession) -> dict[str, object]:
    fields: dict[str, object] = {
        "place": session.place,
        "held": {"on": session.on, "starts": session.starts, "time_zone": session.time_zone},
        "capacity": session.capacity,
        "equipment": list(session.equipment),
    }
    if session.closed_because:
        fields["closed_because"] = session.closed_because
    return fields
