"""Ids for what leaves the unit: the same for one record always, and telling nothing of it."""

import uuid

# Drawn once; never to be changed, or every calendar would show each visit twice.
_NAMESPACE = uuid.UUID("6b0d9f0e-5a0c-4c53-9a3f-0d1d3c1be1f4")


def opaque_id(record: str) -> str:
    """Return a UUID (RFC 9562, version 5) made from a record's name.

    Examples
    --------
    >>> opaque_id("visit/v-1") == opaque_id("visit/v-1") != opaque_id("visit/v-2")
    True
    """
    return str(uuid.uuid5(_NAMESPACE, record))
