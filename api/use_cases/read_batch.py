"""Read what a push or a resupply brings: in rows, or in the long form as exact texts."""

from collections.abc import Iterable, Sequence

from api.storage.unit_store import UnitStore
from api.use_cases.errors import TooLargeError, UnreadablePushError
from api.use_cases.log_receiver import read_or_explain
from sync.errors import ChangedBatchError, MalformedOperationError
from sync.exchange import MAX_BATCH_COUNT
from sync.operation import Operation
from sync.wire import Row, read_rows

Texts = tuple[str, str]
# Rows are read and verified as a whole before one of them is looked at alone.
Sent = Texts | Operation


def read_batch(
    device: str, operations: Sequence[Texts], rows: Sequence[Row], digest: str
) -> Sequence[Sent]:
    """Return what a request brings, whichever form it chose (EX18).

    Raises
    ------
    UnreadablePushError
        Both forms at once, or rows that do not build what their digest says; nothing of the
        request may be taken in.
    TooLargeError
        More rows than a batch may hold.
    """
    if not rows:
        return operations
    if operations:
        raise UnreadablePushError("The batch comes in rows and in the long form. Send one of both.")
    refuse_count(rows)
    try:
        return read_rows(rows, digest, device)
    except ChangedBatchError as changed:
        raise UnreadablePushError(str(changed)) from changed


def read_sent(store: UnitStore, sent: Sent) -> tuple[Operation, Texts, str | None]:
    """Return what `read_texts` does; runs inside a transaction.

    Raises
    ------
    UnreadablePushError
        As `read_texts` and `refuse_withheld`.
    """
    read = read_texts(sent)
    refuse_withheld(store, [sent])
    return read


def refuse_withheld(store: UnitStore, batch: Iterable[Sent]) -> None:
    """Raise where a body is withheld, of a record that was not erased; runs inside a transaction.

    Raises
    ------
    UnreadablePushError
        An operation that comes so.

    Notes
    -----
    Rule ER3: of an erased record nobody has a body any more; what follows in its log goes on.
    """
    withheld = [one for one in batch if isinstance(one, Operation) and one.body_text is None]
    erased = store.erasures.listed() if withheld else {}
    for one in withheld:
        if one.record not in erased:
            message = f"{one.op_id} comes without its body. Send it with its body."
            raise UnreadablePushError(message)


def read_texts(sent: Sent) -> tuple[Operation, Texts, str | None]:
    """Return an operation, its exact texts, and why its body cannot be taken in, if so.

    It asks no store, so that it is done before the turn to write is taken.

    Raises
    ------
    UnreadablePushError
        Not even the envelope can be read.
    """
    if isinstance(sent, Operation):
        return sent, (sent.envelope_text, sent.body_text or ""), None
    try:
        operation, sentence = read_or_explain(*sent)
    except MalformedOperationError as broken:
        raise UnreadablePushError(str(broken)) from broken
    return operation, sent, sentence


def refuse_count(operations: Sequence[object]) -> None:
    """Raise when a batch holds no operation, or more than it may (EX5)."""
    if not operations:
        raise UnreadablePushError("The push holds no operation. Send at least one.")
    if len(operations) > MAX_BATCH_COUNT:
        message = f"The push holds {len(operations)} operations. Send at most {MAX_BATCH_COUNT}."
        raise TooLargeError(message)
