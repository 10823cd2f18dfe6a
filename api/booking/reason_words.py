"""Reasons of proposed bookings in plain English: for commands, and as a record keeps them."""

from collections.abc import Callable, Mapping

from api.booking.booking_reasons import BookingReason, ReasonCode, Reasons

_SESSIONS = {
    "any": "session",
    "phone": "phone session",
    "scope": "session with scope",
    "ultrasound-scope": "session with ultrasound scope",
}
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
_CLOSED = {
    "holiday": "holiday",
    "staff-away": "staff away",
    "room-closed": "room closed",
    "equipment-out": "equipment out of use",
    "entered-in-error": "entered in error",
}
_FIELDS = {"owner_role": "owner"}


def say_reasons(reasons: Reasons, *, year: str) -> str:
    """Return the reasons as sentences.

    Parameters
    ----------
    year : str
        ``YYYY``; a day of another year is said with its year.
    """
    return " ".join(_say(reason, year) for reason in reasons)


def _say(reason: BookingReason, year: str) -> str:
    said = {name: _word(name, value, year) for name, value in reason.values.items()}
    return _SENTENCES[reason.code](said)


def _word(name: str, value: str | int, year: str) -> str:
    """Return one value as people say it."""
    text = str(value)
    if name.endswith("on"):
        return _day(text, year)
    if name == "days":
        return "1 day" if value == 1 else f"{value} days"
    if name == "needs":
        return _SESSIONS.get(text, text)
    if name == "why":
        return _CLOSED.get(text, "another reason")
    if name == "field":
        return _FIELDS.get(text, text)
    if name == "where":
        return " where the patient can be seen" if text == "own" else ""
    return f" at {text}, not the patient's own place" if text else ""


def _day(on: str, year: str) -> str:
    year_of, month, day = map(int, on.split("-"))
    named = f"{day} {_MONTHS[month - 1]}"
    return named if on[:4] == year else f"{named} {year_of}"


_Said = Mapping[str, str]
_SENTENCES: Mapping[ReasonCode, Callable[[_Said], str]] = {
    "kept": "Booked for {on}; that booking stays.".format_map,
    "told-another-day": ("Booked for {on}, but that session is held on another day.".format_map),
    "moved": "Moved from {on}, which serves all visits better.".format_map,
    "session-without-day": (
        "Booked for {on} into a session of which no day is on record.".format_map
    ),
    "session-closed": "The session of {on} is closed ({why}).".format_map,
    "session-unfit": "The session of {on} is no {needs}.".format_map,
    "session-full": "The session of {on} has no place for this visit.".format_map,
    "on-target": "Target {target_on}, and a {needs} is free on that day{place}.".format_map,
    "nearest": "Target {target_on}, nearest free {needs} {on}{place}.".format_map,
    "after-window": (
        "That is {days} after its window ends; give the reason when you book it.".format_map
    ),
    "before-window": (
        "That is {days} before its window begins; give the reason when you book it.".format_map
    ),
    "window-later": (
        "Its window begins on {on}. Propose until a later day, or ask a clinician for another "
        "window.".format_map
    ),
    "all-full": (
        "Every {needs}{where} from {from_on} to {until_on} is full. Add a place, or ask a "
        "clinician which visit can wait.".format_map
    ),
    "none-in-window": (
        "No {needs}{where} takes place from {from_on} to {until_on}. Add one, or ask a clinician "
        "for another window.".format_map
    ),
    "none-at-all": (
        "No {needs}{where} takes place from {from_on} to {until_on}. Add one, or propose until a "
        "later day.".format_map
    ),
    "two-answers": "Two answers stand on its {field}. Settle them first.".format_map,
    "no-window": "It has no window that can be read. A clinician gives it one.".format_map,
    "no-patient": (
        "Its patient is not held here, or was struck. Correct the visit first.".format_map
    ),
    "not-to-contact": (
        "The patient is not to be contacted. Ask a clinician how to go on.".format_map
    ),
}
