"""The four ways in which concurrent values of one field live together (SPEC MG4-MG7).

Which field has which policy is said by the record catalogue and handed in as an argument.
"""

from enum import StrEnum

import msgspec


class MergePolicy(StrEnum):
    """What more than one value left in a field means."""

    ASK_A_PERSON = "ask_a_person"
    KEEP_ALL = "keep_all"
    FURTHEST = "furthest"
    LATEST = "latest"


class FieldPolicy(msgspec.Struct, frozen=True):
    """Policy of one field; ``rank`` lists values from least to furthest, for FURTHEST only."""

    merge: MergePolicy
    rank: tuple[str, ...] = ()


# MG8: a field the catalogue does not know (yet) is never decided by the program.
UNKNOWN_FIELD = FieldPolicy(MergePolicy.ASK_A_PERSON)
