"""How a record is named, ``kind/id``, as whoever asks for one may write it (OP2)."""

import re
from typing import Annotated

import msgspec

ID = "[A-Za-z0-9-]{1,64}"
RECORD = f"^[a-z_]{{1,40}}/{ID}$"
MAX_RECORD_LENGTH = 105

VisitName = Annotated[str, msgspec.Meta(max_length=MAX_RECORD_LENGTH, pattern=f"^visit/{ID}$")]
# A case, by its record or by its id alone.
CaseName = Annotated[str, msgspec.Meta(max_length=MAX_RECORD_LENGTH, pattern=f"^(case/)?{ID}$")]


def case_of(text: str) -> str:
    """Return the record of a case that is named by it or by its id alone."""
    return text if text.startswith("case/") else f"case/{text}"


def is_record_name(text: str) -> bool:
    """Say whether a text can name a record."""
    return len(text) <= MAX_RECORD_LENGTH and re.fullmatch(RECORD.strip("^$"), text) is not None
