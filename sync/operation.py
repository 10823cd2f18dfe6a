"""Operations: what one person saved in one act, on one record, as bytes that never change.

An operation is two texts. The *envelope* is canonical JSON with fixed keys, so its hash can
be rebuilt from its parts; the *body* is kept exactly as it was written and may be withheld,
since the envelope holds only a salted commitment to it. No merge here: see `merge.py`.
"""

import hashlib
import re
from collections.abc import Iterable
from typing import Any

import msgspec

from sync.clock import read_stamp
from sync.errors import ForgedOperationError, MalformedOperationError

MAX_BODY_BYTES = 65_536
# Room for the pointer of a re-issue, whose reference has at most 80 characters (OP8).
MAX_AGAIN_BYTES = 96
MAX_WHOLE_NUMBER = 2**53 - 1
REFERENCE_DIGITS = 16
# Deeper nesting is read by one language and exhausts the other's stack (OP6).
MAX_DEPTH = 32

_DEVICE = r"[a-z0-9-]{1,32}"
_EPOCH = r"[a-z0-9]{4,16}"
_OP_ID = re.compile(rf"({_DEVICE})\.({_EPOCH})\.([1-9][0-9]{{0,11}})")
_STREAM = re.compile(r"[a-z_]{1,24}")
_RECORD = re.compile(r"([a-z_]{1,40})/([A-Za-z0-9-]{1,64})")
_HASH = re.compile(r"[0-9a-f]{64}")
_SALT = re.compile(r"[0-9a-f]{32}")
# The whole canonical envelope (OP2). Every part is free of quotes and backslashes, so what
# matches is an envelope; what does not is read as JSON to say what is wrong with it.
_CANONICAL = re.compile(
    rf'{{"op_id":"(({_DEVICE})\.({_EPOCH})\.([1-9][0-9]{{0,11}}))",'
    rf'"previous":"({_HASH.pattern}|)","stream":"({_STREAM.pattern})",'
    rf'"record":"([a-z_]{{1,40}}/[A-Za-z0-9-]{{1,64}})",'
    rf'"stamp":"([0-9]{{15}}\.[0-9]{{5}}\.{_DEVICE})","commitment":"({_HASH.pattern})"}}'
)
_REFERENCE = re.compile(rf"{_DEVICE}\.{_EPOCH}\.[1-9][0-9]{{0,11}}#[0-9a-f]{{{REFERENCE_DIGITS}}}")


class Body(msgspec.Struct, frozen=True, kw_only=True):
    """The part of an operation that speaks of the clinic.

    Parameters
    ----------
    salt : str, 32 hexadecimal digits
        Keeps the commitment from being guessed once a body has been erased.
    by, tapped_by : str
        Staff id of the person who answers for the entry, and of the one who tapped.
    catalogue : int
        Version of the record catalogue the writer knew.
    set : dict
        Field name to new value; None clears a field.
    over : dict
        Field name to the references of the operations whose values were on screen when the
        form opened. A later writer's values that nobody saw are therefore never replaced.
    retract : tuple of str
        References of operations entered in error. They stay in the log, struck through.
    because : str
        Reason in words, or "".
    again : str
        Reference of the operation of another epoch that this one repeats (OP8), or "".
    """

    salt: str
    by: str
    tapped_by: str
    catalogue: int
    set: dict[str, Any] = {}
    over: dict[str, tuple[str, ...]] = {}
    retract: tuple[str, ...] = ()
    because: str = ""
    again: str = ""


class Operation(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One operation with its exact texts. ``body_text`` is None when the body is withheld."""

    op_id: str
    device: str
    epoch: str
    counter: int
    previous: str
    stream: str
    record: str
    stamp: str
    commitment: str
    hash: str
    body_text: str | None

    @property
    def kind(self) -> str:
        """The record kind, the part of ``record`` before the slash."""
        return self.record.split("/", 1)[0]

    @property
    def reference(self) -> str:
        """``op_id#`` and the first 16 digits of the hash, so that a fork stays unambiguous."""
        return f"{self.op_id}#{self.hash[:REFERENCE_DIGITS]}"

    @property
    def envelope_text(self) -> str:
        """The canonical envelope, rebuilt byte for byte from its parts (OP2)."""
        return write_envelope(
            self.op_id, self.previous, self.stream, self.record, self.stamp, self.commitment
        )


def write_envelope(
    op_id: str, previous: str, stream: str, record: str, stamp: str, commitment: str
) -> str:
    """Return the canonical envelope of checked parts (OP2)."""
    # Every part is ASCII without quotes or backslashes (checked), so no escaping is needed.
    return (
        f'{{"op_id":"{op_id}","previous":"{previous}","stream":"{stream}",'
        f'"record":"{record}","stamp":"{stamp}","commitment":"{commitment}"}}'
    )


def hash_text(text: str) -> str:
    """Return the SHA-256 of a text, 64 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def write_body(body: Body) -> str:
    """Return the body as JSON text; empty parts are left out (OP4)."""
    parts: dict[str, Any] = {
        "salt": body.salt,
        "by": body.by,
        "tapped_by": body.tapped_by,
        "catalogue": body.catalogue,
    }
    for name in ("set", "over", "retract", "because", "again"):
        if getattr(body, name):
            parts[name] = getattr(body, name)
    return msgspec.json.encode(parts).decode()


def make_operation(
    *,
    device: str,
    epoch: str,
    counter: int,
    previous: str,
    stream: str,
    record: str,
    stamp: str,
    body: Body,
) -> Operation:
    """Return a new operation that continues a device's log.

    Parameters
    ----------
    counter : int, from 1 without gaps
        Place in the log of this device and epoch.
    previous : str
        Hash of the operation before it, "" for the first.
    stamp : str
        Text of a `sync.clock.Stamp`.

    Raises
    ------
    MalformedOperationError
        A part breaks OP1-OP7; no operation is made.
    """
    return make_operation_of(
        device=device,
        epoch=epoch,
        counter=counter,
        previous=previous,
        stream=stream,
        record=record,
        stamp=stamp,
        body_text=write_body(body),
    )


def make_operation_of(
    *,
    device: str,
    epoch: str,
    counter: int,
    previous: str,
    stream: str,
    record: str,
    stamp: str,
    body_text: str,
) -> Operation:
    """Return a new operation over a body that is text already; see `make_operation`."""
    envelope = write_envelope(
        f"{device}.{epoch}.{counter}", previous, stream, record, stamp, hash_text(body_text)
    )
    return read_operation(envelope, body_text)


class _Envelope(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    op_id: str
    previous: str
    stream: str
    record: str
    stamp: str
    commitment: str


_ENVELOPES = msgspec.json.Decoder(_Envelope)


def read_operation(
    envelope_text: str, body_text: str | None, body_hash: str | None = None
) -> Operation:
    """Return the operation that two texts hold.

    Parameters
    ----------
    envelope_text : str
        Canonical envelope; any other spelling of the same JSON is refused (OP2).
    body_text : str or None
        Exact body text; None when it was withheld from this reader.
    body_hash : str or None
        `hash_text` of the body, from a caller that has it already.

    Raises
    ------
    MalformedOperationError
        The envelope or the body breaks OP1-OP7. Nothing is taken in.
    ForgedOperationError
        The body is not the one the envelope commits to.
    """
    found = _CANONICAL.fullmatch(envelope_text)
    if found is None:
        raise _explain(envelope_text)
    op_id, device, epoch, digits, previous, stream, record, stamp, commitment = found.groups()
    counter = int(digits)
    if (previous == "") != (counter == 1):
        raise _explain(envelope_text)
    if body_text is not None:
        if (body_hash or hash_text(body_text)) != commitment:
            raise ForgedOperationError(
                f"The body of {op_id} is not the one it commits to. "
                "It was changed after it was written: keep the tablet and ask the data manager."
            )
        read_body(body_text, op_id)
    return Operation(
        op_id=op_id,
        device=device,
        epoch=epoch,
        counter=counter,
        previous=previous,
        stream=stream,
        record=record,
        stamp=stamp,
        commitment=commitment,
        hash=hash_text(envelope_text),
        body_text=body_text,
    )


def _explain(envelope_text: str) -> MalformedOperationError:
    """Return what is wrong with an envelope that is not canonical."""
    try:
        parts = _ENVELOPES.decode(envelope_text)
    except (msgspec.MsgspecError, UnicodeEncodeError) as error:
        return MalformedOperationError(
            f"The envelope is not one of ours ({error}). Send it as the device wrote it."
        )
    found = _OP_ID.fullmatch(parts.op_id)
    if found is None:
        return _malformed("op_id", parts.op_id, "device.epoch.counter")
    if not _STREAM.fullmatch(parts.stream):
        return _malformed("stream", parts.stream, "lower-case letters")
    if not _RECORD.fullmatch(parts.record):
        return _malformed("record", parts.record, "kind/id")
    if read_stamp(parts.stamp) is None:
        return _malformed("stamp", parts.stamp, "15 digits, 5 digits, device")
    if not _HASH.fullmatch(parts.commitment):
        return _malformed("commitment", parts.commitment, "64 hexadecimal digits")
    is_first = int(found[3]) == 1
    if not (parts.previous == "" if is_first else _HASH.fullmatch(parts.previous)):
        return _malformed(
            "previous", parts.previous, "the hash before it, empty only for the first"
        )
    return MalformedOperationError(
        f"The envelope of {parts.op_id} is not in canonical form. Send it as the device wrote it."
    )


_BODIES = msgspec.json.Decoder(Body)


def read_body(body_text: str, op_id: str = "this operation") -> Body:
    """Return the body that a text holds; keys of a newer version are kept in the text only.

    Raises
    ------
    MalformedOperationError
        The text breaks OP4, OP6 or OP7; the sentence names the operation and the part.
    """
    length = len(body_text.encode())
    if length > MAX_BODY_BYTES + MAX_AGAIN_BYTES:
        raise _too_long(op_id)
    try:
        body = _BODIES.decode(body_text)
    except (msgspec.MsgspecError, UnicodeEncodeError, RecursionError) as error:
        raise MalformedOperationError(
            f"The body of {op_id} cannot be read ({error}). Send it as the device wrote it."
        ) from error
    # A body as long as may be can still be written again (OP8).
    if length > MAX_BODY_BYTES + (len(f',"again":"{body.again}"') if body.again else 0):
        raise _too_long(op_id)
    if not _SALT.fullmatch(body.salt):
        raise _malformed(f"salt of {op_id}", body.salt, "32 hexadecimal digits")
    if not body.set and not body.retract:
        raise MalformedOperationError(f"{op_id} sets no field and retracts nothing. Leave it out.")
    if body.over or body.retract or body.again:
        _refuse_references(body, op_id)
    _refuse_fractions(body.set.values(), op_id, 1)
    return body


def decode_body(body_text: str) -> Body:
    """Return the body of an operation that was read before: what `read_body` checks is not again.

    For texts that an `Operation` holds; merge reads each of them many times.
    """
    return _BODIES.decode(body_text)


def _refuse_references(body: Body, op_id: str) -> None:
    again = (body.again,) if body.again else ()
    for references in (*body.over.values(), body.retract, again):
        for reference in references:
            if not _REFERENCE.fullmatch(reference):
                raise _malformed(f"reference in {op_id}", reference, "op_id#16 digits")


def _refuse_fractions(values: Iterable[object], op_id: str, depth: int) -> None:
    """Refuse numbers and nesting that the two languages would not read alike (OP6)."""
    for value in values:
        kind = type(value)
        # Texts and gaps first: most values are one of them.
        if kind is str or value is None:
            continue
        if kind is float or (
            kind is int and not -MAX_WHOLE_NUMBER <= value <= MAX_WHOLE_NUMBER  # type: ignore[operator]
        ):
            raise MalformedOperationError(
                f"{op_id} holds the number {value}. Write whole numbers in a small unit (OP6)."
            )
        if value and (kind is dict or kind is list):
            if depth == MAX_DEPTH:
                raise MalformedOperationError(
                    f"{op_id} is nested over {MAX_DEPTH} levels deep. Write it flatter (OP6)."
                )
            inner = value.values() if kind is dict else value  # type: ignore[attr-defined]
            _refuse_fractions(inner, op_id, depth + 1)  # type: ignore[arg-type]


def _malformed(part: str, found: str, wanted: str) -> MalformedOperationError:
    return MalformedOperationError(f"The {part} is {found[:80]!r}; it has to be {wanted}.")


def _too_long(op_id: str) -> MalformedOperationError:
    return MalformedOperationError(
        f"The body of {op_id} is over {MAX_BODY_BYTES} bytes. Put large content in a blob."
    )
