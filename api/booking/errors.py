"""What the booking package refuses; the text is one sentence for the person who must act."""


class BookingError(Exception):
    """The pattern or the problem cannot be used as it is."""
