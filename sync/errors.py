"""Errors of the record, each with a sentence for the person who must act.

SyncError
  MalformedOperationError   the bytes are no operation; nothing was taken in
  ForgedOperationError      the bytes contradict their own commitment
  BrokenChainError          the operation does not continue the log it names
  ChangedBatchError         a batch in rows is not what was sent; nothing was taken in
"""


class SyncError(Exception):
    """Anything the record refuses; the text says what to do next."""


class MalformedOperationError(SyncError):
    """The text is not an operation as SPEC.md OP1-OP7 lays down."""


class ForgedOperationError(SyncError):
    """The body does not match the commitment in the envelope (OP5)."""


class BrokenChainError(SyncError):
    """The operation does not follow the one held before it (LG2)."""


class ChangedBatchError(SyncError):
    """Rows do not build what their digest says (EX17)."""
