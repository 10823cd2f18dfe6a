"""The visits and sessions of one horizon, as the booking optimum takes them."""

import msgspec

# Two bounds of one problem, far above any unit: they keep every weight exact (see the optimum).
MOST_VISITS = 50_000
MOST_DAYS = 400


class Session(msgspec.Struct, frozen=True, kw_only=True):
    """One session of a clinic.

    Parameters
    ----------
    record : str
        ``clinic_session/<id>``.
    on : str
        Civil date at the place.
    starts : str
        Wall time at the place, ``HH:MM``.
    equipment : tuple of str
        ``scope``, ``ultrasound-scope``, ``phone``; none is a room without.
    capacity : int
        Visits that it may hold.
    closed_because : str
        Why it does not take place; "" where it does.
    """

    record: str
    on: str
    starts: str
    place: str
    equipment: tuple[str, ...]
    capacity: int
    closed_because: str = ""


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """One visit that needs a place, or holds one.

    Parameters
    ----------
    needs : str
        Equipment that it needs (BK6); "" where any room will do.
    urgency : int
        0 to 3.
    earliest_on, target_on, latest_on : str
        Civil dates of its window (FU-02).
    home_place : str
        Place nearest to the patient; "" where none is recorded, and no place counts as another.
    places : tuple of str
        Places that may be offered; none named: all of them.
    held : str
        Session that it is booked into; "" where it is not booked.
    is_over : bool
        Booked into a session that has no place left for it (BK2): it holds none.
    told_on : str
        Day that was booked, where the session is held on another (BK7); else "".
    """

    record: str
    patient: str
    needs: str
    urgency: int
    earliest_on: str
    target_on: str
    latest_on: str
    home_place: str = ""
    places: tuple[str, ...] = ()
    held: str = ""
    is_over: bool = False
    told_on: str = ""


class Problem(msgspec.Struct, frozen=True, kw_only=True):
    """Visits and sessions, each sorted by record, and the days between which places are looked for.

    Parameters
    ----------
    first_on, until_on : str
        First and last civil date on which a new place is proposed. A held place may lie earlier.
    """

    visits: tuple[Visit, ...]
    sessions: tuple[Session, ...]
    first_on: str
    until_on: str
