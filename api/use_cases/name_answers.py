"""Under which record a unit answers something of the hub: one for each unit and each question."""

import hashlib

# By kind of answer, the field that says what it is about.
ABOUT_FIELDS = {"registry_recall_answer": "notice", "registry_link_answer": "proposal"}
_ID_DIGITS = 32


def name_answer(kind: str, unit: str, about: str) -> str:
    """Return the record of a unit's answer to something of the hub: one for each of the two.

    Notes
    -----
    Rule RG14: whoever knows both names can work it out, so that it is judged who writes there.

    Examples
    --------
    >>> name_answer("registry_recall_answer", "unit-1", "network_recall/2")[:30]
    'registry_recall_answer/5a67aac'
    """
    digest = hashlib.sha256(f"{unit}\n{about}".encode()).hexdigest()[:_ID_DIGITS]
    return f"{kind}/{digest}"
