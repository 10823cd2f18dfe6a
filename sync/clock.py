"""Stamps of a hybrid logical clock: sortable text, later than anything seen.

Stamps order operations for display only; what replaces what is said by `over` (SPEC MG2).
No wall clock is read here: the caller passes it in.
"""

import re

import msgspec

DAY_MS = 86_400_000
# HC4: nobody else's clock may push ours further than this past the wall clock.
MAX_LEAD_MS = DAY_MS
MAX_COUNTER = 99_999
_STAMP = re.compile(r"([0-9]{15})\.([0-9]{5})\.([a-z0-9-]{1,32})")


class Stamp(msgspec.Struct, frozen=True, order=True):
    """One reading of the hybrid logical clock.

    Compares by wall time, then counter, then device, which is also the order of its text.
    """

    wall_ms: int
    counter: int
    device: str

    def __str__(self) -> str:
        """Return the sortable text, 15 digits, 5 digits, device.

        Examples
        --------
        >>> str(Stamp(1000, 7, "tablet-a"))
        '000000000001000.00007.tablet-a'
        """
        return f"{self.wall_ms:015d}.{self.counter:05d}.{self.device}"


def read_stamp(text: str) -> Stamp | None:
    """Return the stamp that the text holds, or None when it holds none.

    Examples
    --------
    >>> read_stamp("000000000001000.00007.tablet-a")
    Stamp(wall_ms=1000, counter=7, device='tablet-a')
    >>> read_stamp("yesterday") is None
    True
    """
    found = _STAMP.fullmatch(text)
    if found is None:
        return None
    return Stamp(int(found[1]), int(found[2]), found[3])


def next_stamp(previous: Stamp | None, *, wall_ms: int, device: str) -> Stamp:
    """Return the stamp of the next operation made on this device.

    The result is always later than ``previous``, also when the wall clock has jumped back.

    Parameters
    ----------
    previous : Stamp or None
        Latest stamp this device issued or took notice of; None on a new device.
    wall_ms : int
        Wall clock, whole milliseconds since 1970-01-01T00:00Z. Passed in by the caller.
    device : str
        The device that issues the stamp.

    Notes
    -----
    Rules HC1-HC3. Pure: same arguments, same stamp. Never refuses: a clock error is no
    reason to stop work.

    References
    ----------
    Kulkarni, Demirbas, Madappa, Avva, Leone: Logical Physical Clocks. OPODIS 2014.

    Examples
    --------
    >>> next_stamp(Stamp(1000, 7, "tablet-a"), wall_ms=900, device="tablet-a")
    Stamp(wall_ms=1000, counter=8, device='tablet-a')
    """
    if previous is None or wall_ms > previous.wall_ms:
        return Stamp(wall_ms, 0, device)
    if previous.counter >= MAX_COUNTER:
        return Stamp(previous.wall_ms + 1, 0, device)
    return Stamp(previous.wall_ms, previous.counter + 1, device)


def take_notice(own: Stamp | None, received: Stamp, *, wall_ms: int) -> Stamp | None:
    """Return the later of both stamps, unless the received one lies too far ahead.

    Notes
    -----
    Rule HC4: a stamp more than ``MAX_LEAD_MS`` past the wall clock never moves our clock;
    the operation itself is taken in and marked (see ``is_far_ahead``).

    Examples
    --------
    >>> take_notice(None, Stamp(10**14, 0, "b"), wall_ms=1000) is None
    True
    """
    if is_far_ahead(received, wall_ms=wall_ms):
        return own
    return received if own is None or received > own else own


def is_far_ahead(stamp: Stamp, *, wall_ms: int) -> bool:
    """Say whether a stamp lies more than ``MAX_LEAD_MS`` past the wall clock (HC4)."""
    return stamp.wall_ms > wall_ms + MAX_LEAD_MS
