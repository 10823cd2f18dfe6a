"""Operations: what one person saved in one act, on one record, as bytes that never change.

An operation is two texts. The *envelope* is canonical JSON with fixed keys, so its hash can
be rebuilt from its parts; the *body* is kept exactly as it was written and may be withheld,
since the envelope holds only a salted commitment to it. No merge here: see `merge.py`.
"""

import hashlib
import re
from typing import Any

import msgspec

from sync.clock import read_stamp
from sync.errors import ForgedOperationError, MalformedOperationError

MAX_BODY_BYTES = 65_536
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
    """

    salt: str
    by: str
    tapped_by: str
    catalogue: int
    set: dict[str, Any] = {}
    over: dict[str, tuple[str, ...]] = {}
    retract: tuple[str, ...] = ()
    because: str = ""


class Operation(msgspec.Struct, frozen=True, kw_only=True):
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
        return _write_envelope(
            self.op_id, self.previous, self.stream, self.record, self.stamp, self.commitment
        )


def _write_envelope(
    op_id: str, previous: str, stream: str, record: str, stamp: str, commitment: str
) -> str:
    # Every part is ASCII without quotes or backslashes (checked), so no escaping is needed.
    return (
        f'{{"op_id":"{op_id}","previous":"{previous}","stream":"{stream}",'
        f'"record":"{record}","stamp":"{stamp}","commitment":"{commitment}"}}'
    )


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def write_body(body: Body) -> str:
    """Return the body as JSON text; empty parts are left out (OP4)."""
    parts: dict[str, Any] = {
        "salt": body.salt,
        "by": body.by,
        "tapped_by": body.tapped_by,
        "catalogue": body.catalogue,
    }
    for name in ("set", "over", "retract", "because"):
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
    body_text = write_body(body)
    envelope = _write_envelope(
        f"{device}.{epoch}.{counter}", previous, stream, record, stamp, _sha256(body_text)
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


def read_operation(envelope_text: str, body_text: str | None) -> Operation:
    """Return the operation that two texts hold.

    Parameters
    ----------
    envelope_text : str
        Canonical envelope; any other spelling of the same JSON is refused (OP2).
    body_text : str or None
        Exact body text; None when it was withheld from this reader.

    Raises
    ------
    MalformedOperationError
        The envelope or the body breaks OP1-OP7. Nothing is taken in.
    ForgedOperationError
        The body is not the one the envelope commits to.
    """
    try:
        parts = _ENVELOPES.decode(envelope_text)
    except (msgspec.MsgspecError, UnicodeEncodeError) as error:
        raise MalformedOperationError(
            f"The envelope is not one of ours ({error}). Send it as the device wrote it."
        ) from error
    found = _OP_ID.fullmatch(parts.op_id)
    if found is None:
        raise _malformed("op_id", parts.op_id, "device.epoch.counter")
    if not _STREAM.fullmatch(parts.stream):
        raise _malformed("stream", parts.stream, "lower-case letters")
    if not _RECORD.fullmatch(parts.record):
        raise _malformed("record", parts.record, "kind/id")
    if read_stamp(parts.stamp) is None:
        raise _malformed("stamp", parts.stamp, "15 digits, 5 digits, device")
    if not _HASH.fullmatch(parts.commitment):
        raise _malformed("commitment", parts.commitment, "64 hexadecimal digits")
    counter = int(found[3])
    if not (_HASH.fullmatch(parts.previous) if counter > 1 else parts.previous == ""):
        raise _malformed("previous", parts.previous, "the hash before it, empty only for the first")
    if envelope_text != _write_envelope(*msgspec.structs.astuple(parts)):
        raise MalformedOperationError(
            f"The envelope of {parts.op_id} is not in canonical form. "
            "Send it as the device wrote it."
        )
    if body_text is not None:
        if _sha256(body_text) != parts.commitment:
            raise ForgedOperationError(
                f"The body of {parts.op_id} is not the one it commits to. "
                "It was changed after it was written: keep the tablet and ask the data manager."
            )
        read_body(body_text, parts.op_id)
    return Operation(
        op_id=parts.op_id,
        device=found[1],
        epoch=found[2],
        counter=counter,
        previous=parts.previous,
        stream=parts.stream,
        record=parts.record,
        stamp=parts.stamp,
        commitment=parts.commitment,
        hash=_sha256(envelope_text),
        body_text=body_text,
    )


_BODIES = msgspec.json.Decoder(Body)


def read_body(body_text: str, op_id: str = "this operation") -> Body:
    """Return the body that a text holds; keys of a newer version are kept in the text only.

    Raises
    ------
    MalformedOperationError
        The text breaks OP4, OP6 or OP7; the sentence names the operation and the part.
    """
    if len(body_text.encode()) > MAX_BODY_BYTES:
        raise MalformedOperationError(
            f"The body of {op_id} is over {MAX_BODY_BYTES} bytes. Put large content in a blob."
        )
    try:
        body = _BODIES.decode(body_text)
    except (msgspec.MsgspecError, UnicodeEncodeError, RecursionError) as error:
        raise MalformedOperationError(
            f"The body of {op_id} cannot be read ({error}). Send it as the device wrote it."
        ) from error
    if not _SALT.fullmatch(body.salt):
        raise _malformed(f"salt of {op_id}", body.salt, "32 hexadecimal digits")
    if not body.set and not body.retract:
        raise MalformedOperationError(f"{op_id} sets no field and retracts nothing. Leave it out.")
    for references in (*body.over.values(), body.retract):
        for reference in references:
            if not _REFERENCE.fullmatch(reference):
                raise _malformed(f"reference in {op_id}", reference, "op_id#16 digits")
    _refuse_fractions(body.set, op_id)
    return body


def _refuse_fractions(value: object, op_id: str, depth: int = 0) -> None:
    """Refuse numbers and nesting that the two languages would not read alike (OP6)."""
    if depth > MAX_DEPTH:
        raise MalformedOperationError(
            f"{op_id} is nested over {MAX_DEPTH} levels deep. Write it flatter (OP6)."
        )
    if isinstance(value, float) or (
        isinstance(value, int) and not -MAX_WHOLE_NUMBER <= value <= MAX_WHOLE_NUMBER
    ):
        raise MalformedOperationError(
            f"{op_id} holds the number {value}. Write whole numbers in a small unit (OP6)."
        )
    if isinstance(value, dict):
        for inner in value.values():
            _refuse_fractions(inner, op_id, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _refuse_fractions(inner, op_id, depth + 1)


def _malformed(part: str, found: str, wanted: str) -> MalformedOperationError:
    return MalformedOperationError(f"The {part} is {found[:80]!r}; it has to be {wanted}.")
