"""Argon2id against RFC 9106, and the vectors that the tablet's own Argon2id is held against.

The tablet's library takes no associated data, which the vector of RFC 9106, section 5.3 has. So
OpenSSL's is held against the RFC here, and the tablet's against OpenSSL's by the same file in
`pwa/src/device/argon.test.ts`.
"""

import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

VECTORS = json.loads((Path(__file__).parent / "argon2id_vectors.json").read_text(encoding="utf-8"))[
    "vectors"
]


def test_openssl_gives_the_tag_of_rfc_9106() -> None:
    """RFC 9106, section 5.3: 32 KiB, 3 passes, 4 lanes, with a secret and associated data."""
    derived = Argon2id(
        salt=b"\x02" * 16,
        length=32,
        iterations=3,
        lanes=4,
        memory_cost=32,
        ad=b"\x04" * 12,
        secret=b"\x03" * 8,
    ).derive(b"\x01" * 32)
    assert derived.hex() == "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"


@pytest.mark.parametrize("vector", VECTORS, ids=lambda one: f"{one['memory_kib']} KiB")
def test_each_vector_is_what_openssl_gives(vector: dict[str, str | int]) -> None:
    """[SEC-11] Has caught: a vector made with two passes and written down as three."""
    derived = Argon2id(
        salt=bytes.fromhex(str(vector["salt_hex"])),
        length=32,
        iterations=int(vector["passes"]),
        lanes=int(vector["lanes"]),
        memory_cost=int(vector["memory_kib"]),
    ).derive(str(vector["pin"]).encode())
    assert derived.hex() == vector["key_hex"]
