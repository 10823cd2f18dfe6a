"""What a unit has said about a rule file: who approved it, from which day, and until when.

A rule file goes from draft through approved to in force, and in the end is retired (RL1). The file
itself never changes; what the unit says of it stands in its record.
"""

from typing import Literal

import msgspec

APPROVERS_NEEDED = 2
Standing = Literal["draft", "approved", "in force", "retired"]


class Approval(msgspec.Struct, frozen=True):
    """One person's word for the bytes whose SHA-256 it names, to count from a civil date."""

    by: str
    name: str
    role: str
    sha256: str
    from_on: str


class Release(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a rule file, as the unit has released it.

    Parameters
    ----------
    sha256 : str
        Of the bytes held here; an approval of other bytes does not count (RL3).
    retired_on : str or None
        Civil date; None while nobody has retired it.
    """

    name: str
    version: int
    sha256: str
    retired_on: str | None = None
    approvals: tuple[Approval, ...] = ()


class Judgement(msgspec.Struct, frozen=True):
    """Where a release stands on a day, and why it is not in force; empty where it is."""

    standing: Standing
    why: str


def list_approvers(release: Release) -> tuple[Approval, ...]:
    """Return one approval for each person who approved these very bytes, by day, then as given.

    Notes
    -----
    Rule RL3. One name counts once: the same person may stand twice in the list of staff.
    """
    found: dict[str, Approval] = {}
    for approval in sorted(release.approvals, key=lambda one: one.from_on):
        known = any(one.by == approval.by for one in found.values())
        if approval.sha256 == release.sha256 and not known:
            found.setdefault(approval.name.strip().casefold(), approval)
    return tuple(found.values())


def day_in_force(release: Release) -> str | None:
    """Return the first day on which two people's approvals count, one of them an endoscopist's.

    Notes
    -----
    Rule RL2. A later approval never moves that day. Two named people, one of them an endoscopist:
    common practice of local protocols, no source.
    """
    approvers = list_approvers(release)
    for count in range(APPROVERS_NEEDED, len(approvers) + 1):
        if any(approver.role == "endoscopist" for approver in approvers[:count]):
            return approvers[count - 1].from_on
    return None


def judge_release(release: Release, *, on: str) -> Judgement:
    """Return where a release stands on a civil date.

    Notes
    -----
    Rules RL1-RL4. Pure.
    """
    if release.retired_on is not None and release.retired_on <= on:
        return Judgement("retired", f"it was retired on {release.retired_on}")
    count = len(list_approvers(release))
    if count < APPROVERS_NEEDED:
        return Judgement("draft", f"{count} of {APPROVERS_NEEDED} people approved it")
    day = day_in_force(release)
    if day is None:
        return Judgement("draft", "no endoscopist approved it")
    if day > on:
        return Judgement("approved", f"it comes into force on {day}")
    return Judgement("in force", "")
