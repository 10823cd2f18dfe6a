"""What a unit has said about a rule file: who approved it, from which day, and until when.

A rule file goes from draft through approved to in force, and in the end is retired (RL1). The file
itself never changes; what the unit says of it stands in its record.
"""

from typing import Literal

import msgspec

APPROVERS_NEEDED = 2
Standing = Literal["draft", "approved", "in force", "retired"]


class Approval(msgspec.Struct, frozen=True):
    """One person's word for the bytes whose SHA-256 it names."""

    by: str
    name: str
    role: str
    sha256: str


class Release(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a rule file, as the unit has released it.

    Parameters
    ----------
    sha256 : str
        Of the bytes held here; an approval of other bytes does not count (RL3).
    in_force_from, retired_on : str or None
        Civil dates; None while nobody has given one.
    """

    name: str
    version: int
    sha256: str
    in_force_from: str | None = None
    retired_on: str | None = None
    approvals: tuple[Approval, ...] = ()


class Judgement(msgspec.Struct, frozen=True):
    """Where a release stands on a day, and why it is not in force; empty where it is."""

    standing: Standing
    why: str


def list_approvers(release: Release) -> tuple[Approval, ...]:
    """Return one approval for each person who approved these very bytes, first ones first (RL3)."""
    found: dict[str, Approval] = {}
    for approval in release.approvals:
        if approval.sha256 == release.sha256:
            found.setdefault(approval.by, approval)
    return tuple(found.values())


def judge_release(release: Release, *, on: str) -> Judgement:
    """Return where a release stands on a civil date.

    Notes
    -----
    Rules RL1-RL4. Pure. Two named people approve, one of them an endoscopist: common practice of
    local protocols, no source.
    """
    if release.retired_on is not None and release.retired_on <= on:
        return Judgement("retired", f"it was retired on {release.retired_on}")
    approvers = list_approvers(release)
    if len(approvers) < APPROVERS_NEEDED:
        return Judgement("draft", f"{len(approvers)} of {APPROVERS_NEEDED} people approved it")
    if all(approver.role != "endoscopist" for approver in approvers):
        return Judgement("draft", "no endoscopist approved it")
    if release.in_force_from is None:
        return Judgement("approved", "it has no day from which it is in force")
    if release.in_force_from > on:
        return Judgement("approved", f"it comes into force on {release.in_force_from}")
    return Judgement("in force", "")
