"""Bundles: one SQLite file that carries operations from place to place without a network.

The tablet writes and reads the same file (`pwa/src/storage/bundle.ts`).
"""

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

import msgspec

from api.storage.errors import StorageError
from api.storage.p256 import read_base64, write_base64
from api.storage.signatures import SignedHead

APPLICATION_ID = 0x43425544
FORMAT_VERSION = 1
# Unit setting (project default): about 300,000 operations of the usual size.
MAX_BUNDLE_BYTES = 256 * 1024 * 1024

TABLES = (
    "CREATE TABLE manifest (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT",
    "CREATE TABLE operation"
    " (place INTEGER PRIMARY KEY, envelope TEXT NOT NULL, body TEXT NOT NULL) STRICT",
    "CREATE TABLE head_signature (device TEXT NOT NULL, epoch TEXT NOT NULL,"
    " counter INTEGER NOT NULL, hash TEXT NOT NULL, key TEXT NOT NULL, signature TEXT NOT NULL)"
    " STRICT",
)
Row = TypeVar("Row", bound=tuple[object, ...])
_MANIFEST_NAMES = ("digest", "made_at_ms", "made_by", "operations", "scope", "streams")


class BundleError(StorageError):
    """The file is no whole bundle; nothing was written."""


class HeadSignature(msgspec.Struct, frozen=True):
    """A signed head as it is written into a file: key id and hash in hexadecimal, base64."""

    device: str
    epoch: str
    counter: int
    hash: str
    key: str
    signature: str

    @classmethod
    def of(cls, head: SignedHead) -> "HeadSignature":
        """Return a signed head in the form of a file."""
        signature = write_base64(head.signature)
        return cls(head.device, head.epoch, head.counter, head.hash, head.key_id, signature)

    def head(self) -> SignedHead | None:
        """Return the signed head, None where the signature cannot be read."""
        signature = read_base64(self.signature)
        if signature is None:
            return None
        return SignedHead(self.device, self.epoch, self.counter, self.hash, self.key, signature)


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a bundle says of itself.

    Parameters
    ----------
    made_by : str
        Device id of the tablet, or the generation of the unit's store.
    made_at_ms : int
        Wall clock of the maker, milliseconds since 1970-01-01T00:00Z.
    scope : str
        ``all``, ``streams`` or ``unsent``.
    streams : tuple of str
        Streams of the operations inside, sorted.
    """

    made_by: str
    made_at_ms: int
    scope: str
    streams: tuple[str, ...]


class Bundle(msgspec.Struct, frozen=True):
    """A whole bundle: operations in the order of each log, one log after the other."""

    manifest: Manifest
    operations: tuple[tuple[str, str], ...]
    signatures: tuple[HeadSignature, ...] = ()


def write_bundle(target: Path, bundle: Bundle) -> None:
    """Write a bundle to a file that does not exist yet.

    Raises
    ------
    StorageError
        The file exists or cannot be written. Nothing is overwritten.

    Notes
    -----
    Rules BU1, BU2.
    """
    if target.exists():
        message = f"{target} exists already. Choose a new name for the bundle."
        raise StorageError(message)
    half = target.with_name(f"{target.name}.part")
    try:
        half.unlink(missing_ok=True)
        connection = sqlite3.connect(half, isolation_level=None)
        try:
            _fill(connection, bundle)
        finally:
            connection.close()
        half.rename(target)
    except (OSError, sqlite3.Error) as error:
        half.unlink(missing_ok=True)
        message = f"The bundle {target} cannot be written ({error}). Choose another place."
        raise StorageError(message) from error


def _fill(connection: sqlite3.Connection, bundle: Bundle) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {FORMAT_VERSION}")
    connection.execute("BEGIN")
    for table in TABLES:
        connection.execute(table)
    rows = _manifest_rows(bundle)
    connection.executemany("INSERT INTO manifest VALUES (?, ?)", sorted(rows.items()))
    connection.executemany(
        "INSERT INTO operation (envelope, body) VALUES (?, ?)", bundle.operations
    )
    connection.executemany(
        "INSERT INTO head_signature VALUES (?, ?, ?, ?, ?, ?)",
        [msgspec.structs.astuple(one) for one in bundle.signatures],
    )
    connection.execute("COMMIT")


def read_bundle(path: Path) -> Bundle:
    """Return the bundle that a file holds.

    Raises
    ------
    BundleError
        No such file, one over `MAX_BUNDLE_BYTES`, no bundle, one of another format, or one whose
        content is not what its manifest says.

    Notes
    -----
    Rules BU1, BU2. The file is foreign: it is opened read-only, and only a schema that is ours to
    the letter is read, so that no view or trigger of it ever runs.
    """
    if not path.is_file():
        raise BundleError(f"There is no file {path}. Name the bundle that was saved.")
    if path.stat().st_size > MAX_BUNDLE_BYTES:
        message = (
            f"{path} is over {MAX_BUNDLE_BYTES} bytes. Save smaller bundles, for example by stream."
        )
        raise BundleError(message)
    try:
        # Immutable: no journal beside the file is looked for, and nothing is written.
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)
        try:
            return _read(connection, path)
        finally:
            connection.close()
    except (sqlite3.Error, msgspec.MsgspecError, UnicodeError, ValueError) as error:
        message = f"{path} is no whole bundle ({error}). Save it again and import that file."
        raise BundleError(message) from error


def _read(connection: sqlite3.Connection, path: Path) -> Bundle:
    connection.execute("PRAGMA trusted_schema = off")
    connection.execute("PRAGMA cell_size_check = on")
    if _number(connection, "application_id") != APPLICATION_ID:
        raise BundleError(f"{path} is no bundle of this program. Choose the file that was saved.")
    version = _number(connection, "user_version")
    if version != FORMAT_VERSION:
        message = (
            f"{path} is a bundle of format {version}; this release reads {FORMAT_VERSION}. "
            "Update this program, then import it again."
        )
        raise BundleError(message)
    found = connection.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL").fetchall()
    if sorted(str(sql) for (sql,) in found) != sorted(TABLES):
        raise BundleError(f"{path} has other tables than a bundle has. Save it again.")
    # A changed byte can turn a text into bytes or a number, which only the types tell.
    rows = dict(_all(connection, "SELECT name, content FROM manifest", tuple[str, str]))
    operations = _all(
        connection, "SELECT envelope, body FROM operation ORDER BY place", tuple[str, str]
    )
    signatures = _all(
        connection,
        "SELECT * FROM head_signature ORDER BY rowid",
        tuple[str, str, int, str, str, str],
    )
    if tuple(sorted(rows)) != _MANIFEST_NAMES:
        raise BundleError(f"{path} has another manifest than a bundle has. Save it again.")
    bundle = Bundle(
        Manifest(
            made_by=rows["made_by"],
            made_at_ms=int(rows["made_at_ms"]),
            scope=rows["scope"],
            streams=tuple(msgspec.json.decode(rows["streams"], type=list[str])),
        ),
        tuple(operations),
        tuple(HeadSignature(*row) for row in signatures),
    )
    if _manifest_rows(bundle) != rows:
        message = (
            f"{path} was changed or damaged after it was saved. Save it again, or carry it on "
            "another stick."
        )
        raise BundleError(message)
    return bundle


def _all(connection: sqlite3.Connection, query: str, row: type[Row]) -> list[Row]:
    return msgspec.convert(connection.execute(query).fetchall(), list[row])  # type: ignore[valid-type]


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def _manifest_rows(bundle: Bundle) -> dict[str, str]:
    manifest = bundle.manifest
    rows = {
        "made_by": manifest.made_by,
        "made_at_ms": str(manifest.made_at_ms),
        "operations": str(len(bundle.operations)),
        "scope": manifest.scope,
        "streams": msgspec.json.encode(manifest.streams).decode(),
    }
    return {**rows, "digest": content_digest(rows, bundle.operations, bundle.signatures)}


def content_digest(
    manifest: dict[str, str],
    operations: Iterable[tuple[str, str]],
    signatures: Sequence[HeadSignature],
) -> str:
    """Return SHA-256 over every text of a bundle, each with its length before it (BU2).

    The length keeps two texts from passing for two others that join to the same bytes.
    """
    digest = hashlib.sha256()
    for text in _texts(manifest, operations, signatures):
        content = text.encode()
        digest.update(b"%d:" % len(content))
        digest.update(content)
    return digest.hexdigest()


def _texts(
    manifest: dict[str, str],
    operations: Iterable[tuple[str, str]],
    signatures: Sequence[HeadSignature],
) -> Iterator[str]:
    for name in sorted(manifest):
        yield name
        yield manifest[name]
    for envelope, body in operations:
        yield envelope
        yield body
    for one in signatures:
        for part in msgspec.structs.astuple(one):
            yield str(part)
