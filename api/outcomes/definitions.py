"""What each outcome means, as data. Pure.

One definition for every unit of a network, so no rule file that one may change.
"""

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Literal

import msgspec

from api.outcomes.proportions import OutcomeError

Group = Literal["success", "bleeding", "harm", "death", "follow-up"]
Basis = Literal["published", "common-practice", "from-memory", "derived", "unit-setting"]
EventKind = Literal["rebleed", "reintervention", "embolism", "death"]


class Definition(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One outcome.

    Parameters
    ----------
    group : str
        Beside which others it is shown.
    fact : str
        What of a case tells it.
    sources : tuple of str
        Of which the event has to come; none where any will do.
    planned : bool or None
        Whether the event has to have been planned; None where that does not matter.
    from_day, until_day : int
        Days after the treatment, both included; None where there is no end.
    watched_from : int or None
        Day from which a case that was seen counts as watched to the end; None is `until_day`.
    asked_before_death_days : int or None
        Of a bleed: how long before a death somebody has to have asked for it, for the death to
        end the watch. Whom nobody had asked for longer may have bled first. None: always.
    """

    outcome: str
    group: Group
    fact: Literal["delivered", "flow_at_end", "look", "event"]
    event: EventKind | None = None
    sources: tuple[str, ...] = ()
    planned: bool | None = None
    from_day: int = 0
    until_day: int | None = None
    watched_from: int | None = None
    asked_before_death_days: int | None = None
    definition: str
    source: str
    basis: Basis

    @property
    def watched_until(self) -> int | None:
        """The day until which a case has to be seen; None where there is no end."""
        return self.until_day if self.watched_from is None else self.watched_from


class Windows(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What is counted where windows of follow-up are, not cases."""

    outcome: str
    group: Group
    definition: str
    source: str
    basis: Basis


class Amount(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Something that is counted in each case, such as coils."""

    amount: Literal["coils", "adhesive_ul", "sessions"]
    definition: str
    source: str
    basis: Basis


class Sums(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How risk-adjusted sums are made, and how their limit is found.

    Parameters
    ----------
    risk_by : tuple of str
        Fields of the case mix by which the risk of a case is told.
    odds : float
        Ratio of odds that is looked for.
    cases, false_per_mille : int
        Of 1,000 runs of so many cases without cause, how many may reach the limit.
    prior_cases : int
        The risk of a group is drawn towards that of all, as by so many cases of the mean risk.
    plays, seed : int
        How many runs are played to find the limit, and what chance begins with.
    """

    outcomes: tuple[str, ...]
    risk_by: tuple[str, ...]
    odds: float
    cases: int
    prior_cases: int
    false_per_mille: int
    plays: int
    seed: int
    definition: str
    source: str
    basis: Basis


class Bands(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Bands of a number: from where each starts, the lowest first, and its name."""

    field: str
    starts: tuple[tuple[int, str], ...]
    source: str
    basis: Basis

    def name_of(self, number: int | None) -> str:
        """Return the band of a number, "" where there is none."""
        names = [name for start, name in self.starts if number is not None and start <= number]
        return names[-1] if names else ""


class Definitions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Everything that the file says.

    Parameters
    ----------
    rows : tuple of Definition
        Outcomes that a case tells or not, in the order in which they are shown.
    over_time : tuple of Definition
        Events that are followed from day to day.
    """

    version: int
    rows: tuple[Definition, ...]
    over_time: tuple[Definition, ...]
    windows: Windows
    amounts: tuple[Amount, ...]
    sums: Sums
    bands: tuple[Bands, ...]
    note: str

    @property
    def window_ends(self) -> tuple[int, ...]:
        """The last days of outcomes that have one, the shortest first."""
        return tuple(sorted({one.until_day for one in self.rows if one.until_day is not None}))

    @property
    def by_outcome(self) -> Mapping[str, Definition]:
        """The outcomes that a case tells, by name."""
        return {one.outcome: one for one in self.rows}


def read_definitions(content: bytes) -> Definitions:
    """Return the definitions of a file.

    Raises
    ------
    OutcomeError
        A row is of another shape, stands twice, or names an event where it is none.
    """
    try:
        file = msgspec.json.decode(content, type=Definitions)
    except msgspec.MsgspecError as error:
        message = f"The definitions of outcomes cannot be read ({error}). Correct them there."
        raise OutcomeError(message) from error
    found: set[str] = set()
    for one in (*file.rows, *file.over_time):
        is_odd = (one.fact == "event") != (one.event is not None)
        is_empty = one.until_day is not None and one.until_day < one.from_day
        is_endless = one.watched_from is not None and (
            one.until_day is None or not one.from_day <= one.watched_from <= one.until_day
        )
        is_unasked = one.asked_before_death_days is not None and (
            one.event != "rebleed" or one.asked_before_death_days < 0
        )
        if one.outcome in found or is_odd or is_empty or is_endless or is_unasked:
            message = f"The definition of {one.outcome} contradicts itself or another. Correct it."
            raise OutcomeError(message)
        found.add(one.outcome)
    strange = [one for one in file.sums.outcomes if one not in file.by_outcome]
    strange += [one.outcome for one in file.over_time if one.event is None]
    if strange:
        message = f"{strange[0]} is summed or followed and is no such outcome. Define it first."
        raise OutcomeError(message)
    return file


@cache
def packaged_definitions() -> Definitions:
    """Return the definitions that this release carries."""
    return read_definitions((resources.files("api.outcomes") / "definitions.json").read_bytes())
