"""The built app, read once at the start: content, squeezed content and mark of each file."""

import gzip
import hashlib
from importlib import resources
from importlib.resources.abc import Traversable

import msgspec

_MEDIA_TYPES = {
    "html": "text/html",
    "js": "text/javascript",
    "mjs": "text/javascript",
    "css": "text/css",
    "json": "application/json",
    "webmanifest": "application/manifest+json",
    "svg": "image/svg+xml",
    "png": "image/png",
    "ico": "image/x-icon",
    "wasm": "application/wasm",
    "woff2": "font/woff2",
    "txt": "text/plain",
}
_PACKED_ALREADY = ("png", "woff2", "ico")


class StaticFile(msgspec.Struct, frozen=True):
    """One file of the app. ``squeezed`` is None where gzip gains nothing."""

    name: str
    content: bytes
    squeezed: bytes | None
    etag: str
    media_type: str


class _NamedBuild(msgspec.Struct, frozen=True):
    build: str


class StaticFiles:
    """All files of the app by name."""

    def __init__(self, contents: dict[str, bytes]) -> None:
        self._files = {name: _static_file(name, content) for name, content in contents.items()}

    @property
    def is_built(self) -> bool:
        """Say whether there is an app at all."""
        return "index.html" in self._files

    @property
    def build(self) -> str:
        """Return a short mark of this very build, "none" when there is no app."""
        if not self.is_built:
            return "none"
        marks = "".join(self._files[name].etag for name in sorted(self._files))
        return hashlib.sha256(marks.encode()).hexdigest()[:12]

    @property
    def app_build(self) -> str:
        """Return how the app names its own build (HAZ-27), "" when it names none."""
        named = self._files.get("build.json")
        if named is None:
            return ""
        try:
            return msgspec.json.decode(named.content, type=_NamedBuild).build
        except msgspec.MsgspecError:
            return ""

    def find(self, name: str) -> StaticFile | None:
        """Return a file by its path below the root, None when there is none."""
        return self._files.get(name)


def _static_file(name: str, content: bytes) -> StaticFile:
    ending = name.rpartition(".")[2]
    packed = None if ending in _PACKED_ALREADY else gzip.compress(content, 6, mtime=0)
    return StaticFile(
        name=name,
        content=content,
        squeezed=packed if packed and len(packed) < len(content) else None,
        etag=f'"{hashlib.sha256(content).hexdigest()[:32]}"',
        media_type=_MEDIA_TYPES.get(ending, "application/octet-stream"),
    )


def read_built_app() -> StaticFiles:
    """Return the app that `make setup` built into this package; empty when it did not."""
    root = resources.files("api") / "static"
    contents: dict[str, bytes] = {}
    if root.is_dir():
        _read_into(contents, root, "")
    return StaticFiles(contents)


def _read_into(contents: dict[str, bytes], folder: Traversable, prefix: str) -> None:
    for entry in folder.iterdir():
        if entry.is_dir():
            _read_into(contents, entry, f"{prefix}{entry.name}/")
        else:
            contents[f"{prefix}{entry.name}"] = entry.read_bytes()
