"""What a device signs of a request, as text (RFC 9421). Keys are elsewhere.

One shape alone is written and read: method, path, query and the digest of the body (RFC 9530),
with a nonce of the unit's, so that a request is good once, here, and as it was meant.
"""

import base64
import re
from collections.abc import Sequence

import msgspec

from sync.errors import MalformedOperationError

LABEL = "crura"
DIGEST_BYTES = 32
COMPONENTS = ("@method", "@path", "@query", "content-digest")

_DEVICE = re.compile(r"[a-z0-9-]{1,32}")
_NONCE = re.compile(r"[A-Za-z0-9_-]{1,128}")
_VISIBLE = re.compile(r"[\x20-\x7e]*")
_PARAMETERS = re.compile(r'(\([^()]*\));keyid="([^"]*)";nonce="([^"]*)";alg="([^"]*)"')
_ALGORITHM = "ecdsa-p256-sha256"
_LIST = "(" + " ".join(f'"{name}"' for name in COMPONENTS) + ")"


class RequestProof(msgspec.Struct, frozen=True):
    """Who says to have signed a request, and under which nonce."""

    device: str
    nonce: str


def write_signature_base(components: Sequence[tuple[str, str]], parameters: str) -> str:
    """Return the text that is signed (RFC 9421, section 2.5).

    Parameters
    ----------
    components : sequence of (str, str)
        Name and content of what is covered, in their order.
    parameters : str
        The signature parameters as they stand in ``Signature-Input``, without the label.

    Raises
    ------
    MalformedOperationError
        A content holds a line end or another letter than visible ASCII: two different requests
        never have the same text.
    """
    if not all(_VISIBLE.fullmatch(content) for _, content in (*components, ("", parameters))):
        raise MalformedOperationError(
            "The request holds letters that cannot be signed. Write its address in plain letters."
        )
    lines = [f'"{name}": {content}' for name, content in components]
    return "\n".join([*lines, f'"@signature-params": {parameters}'])


def write_parameters(proof: RequestProof) -> str:
    """Return the signature parameters of a request (RQ1).

    Raises
    ------
    MalformedOperationError
        The device or the nonce is none.
    """
    if not (_DEVICE.fullmatch(proof.device) and _NONCE.fullmatch(proof.nonce)):
        raise MalformedOperationError(
            f"{proof.device[:40]!r} cannot sign a request under this nonce. Ask for another nonce."
        )
    return f'{_LIST};keyid="{proof.device}";nonce="{proof.nonce}";alg="{_ALGORITHM}"'


def read_parameters(header: str) -> RequestProof | None:
    """Return what a ``Signature-Input`` says, None when it is not the one shape we take (RQ1)."""
    label, _, parameters = header.partition("=")
    found = _PARAMETERS.fullmatch(parameters)
    if label != LABEL or found is None:
        return None
    proof = RequestProof(found[2], found[3])
    try:
        return proof if write_parameters(proof) == parameters else None
    except MalformedOperationError:
        return None


def write_request_base(
    proof: RequestProof, *, method: str, path: str, query: str, content_digest: str
) -> str:
    """Return the text that a device signs for one request (RQ1).

    Parameters
    ----------
    path, query : str
        As they travel, percent signs and all; the query without its question mark.
    content_digest : str
        The ``Content-Digest`` header (RFC 9530) over the body as it travels.

    Raises
    ------
    MalformedOperationError
        A part cannot be signed.
    """
    contents = (method, path, f"?{query}", content_digest)
    return write_signature_base(
        tuple(zip(COMPONENTS, contents, strict=True)), write_parameters(proof)
    )


def write_content_digest(digest: bytes) -> str:
    """Return a SHA-256 as ``Content-Digest`` has it (RFC 9530, section 2)."""
    return f"sha-256=:{base64.b64encode(digest).decode()}:"


def write_signature(signature: bytes) -> str:
    """Return a signature as the ``Signature`` header has it."""
    return f"{LABEL}=:{base64.b64encode(signature).decode()}:"


def read_signature(header: str) -> bytes | None:
    """Return the bytes of a ``Signature`` header, None when it is not the one text of them."""
    start = f"{LABEL}=:"
    if not (header.startswith(start) and header.endswith(":")):
        return None
    try:
        content = base64.b64decode(header[len(start) : -1], validate=True)
    except ValueError:
        return None
    return content if write_signature(content) == header else None


def write_fingerprint(key_id: str) -> str:
    """Return six digits by which two people tell that they speak of the same key (RQ6).

    Parameters
    ----------
    key_id : str, 64 hexadecimal digits
        SHA-256 of the public key (SG2).

    Raises
    ------
    MalformedOperationError
        It is no id of a key.

    Examples
    --------
    >>> write_fingerprint("0" * 62 + "2a")
    '000000'
    """
    if not re.fullmatch(r"[0-9a-f]{64}", key_id):
        raise MalformedOperationError(
            f"{key_id[:16]} is no id of a key. Take SHA-256 of the public key."
        )
    return f"{int(key_id[:12], 16) % 1_000_000:06}"


def write_revocation_text(device: str, revoked_ms: int, *, is_lost: bool) -> str:
    """Return the text that a unit signs when it tells a device that it was revoked (RQ8).

    Parameters
    ----------
    revoked_ms : int
        Wall milliseconds of the unit's server.
    is_lost : bool
        The device is to clear itself once it has handed over what it holds.

    Raises
    ------
    MalformedOperationError
        A part is none of a revocation.
    """
    if not (_DEVICE.fullmatch(device) and 0 <= revoked_ms <= 2**53 - 1):
        raise MalformedOperationError(
            f"{device[:40]!r} at {revoked_ms} is no revocation. Ask the unit again."
        )
    return f"crura-revocation\n{device}\n{revoked_ms}\n{'wipe' if is_lost else 'keep'}"
