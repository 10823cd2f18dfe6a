"""A layer between SQLite and the disk: it notes every write, and can refuse or cut one off.

It is a virtual file system in SQLite's sense (https://sqlite.org/vfs.html), put by ctypes into
the very library that Python's `sqlite3` has loaded, so the code under test runs unchanged. Each
call goes on to the file system of the platform.
"""

import _sqlite3
import ctypes
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import pytest

POINTER, INT, LONG = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64
SQLITE_OK = 0
SQLITE_OPEN_CREATE = 0x04
What = Literal["create", "write", "truncate", "sync", "delete", "told"]

# Names pass as addresses: SQLite keeps them, a copy made by ctypes would be gone too early.
_OPEN = ctypes.CFUNCTYPE(INT, POINTER, POINTER, POINTER, INT, POINTER)
_DELETE = ctypes.CFUNCTYPE(INT, POINTER, POINTER, INT)
_CLOSE = ctypes.CFUNCTYPE(INT, POINTER)
_WRITE = ctypes.CFUNCTYPE(INT, POINTER, POINTER, INT, LONG)
_TRUNCATE = ctypes.CFUNCTYPE(INT, POINTER, LONG)
_SYNC = ctypes.CFUNCTYPE(INT, POINTER, INT)


# What C code may still call: a connection that a failed test left open closes at any later time.
_KEPT: list[Any] = []


class _Vfs(ctypes.Structure):
    _fields_ = (
        ("version", INT),
        ("file_size", INT),
        ("longest_path", INT),
        ("next", POINTER),
        ("name", ctypes.c_char_p),
        ("data", POINTER),
        ("open", POINTER),
        ("delete", POINTER),
        *((name, POINTER) for name in ("access", "full_path", "dl_open", "dl_error", "dl_sym")),
        *((name, POINTER) for name in ("dl_close", "randomness", "sleep", "time", "last_error")),
        *((name, POINTER) for name in ("time_64", "set_call", "get_call", "next_call")),
    )


class _Methods(ctypes.Structure):
    _fields_ = (
        ("version", INT),
        *((name, POINTER) for name in ("close", "read", "write", "truncate", "sync", "size")),
        *((name, POINTER) for name in ("lock", "unlock", "is_reserved", "control", "sector")),
        *((name, POINTER) for name in ("traits", "shm_map", "shm_lock", "shm_barrier")),
        *((name, POINTER) for name in ("shm_unmap", "fetch", "unfetch")),
    )


class _File(ctypes.Structure):
    _fields_ = (("methods", ctypes.POINTER(_Methods)),)


@dataclass
class DiskCall:
    """One thing asked of the disk; ``told`` stands for an answer that left the server."""

    what: What
    path: str = ""
    offset: int = 0
    content: bytes = b""
    told: tuple[Any, ...] = ()


@dataclass
class Disk:
    """What the shim noted, and what it does to the next call.

    Parameters
    ----------
    refuse : function or None
        Gets each call before it happens; returns 0 to let it pass, or the result code that
        SQLite gets instead (`sqlite3.SQLITE_FULL`). May also end the process.
    keeps_calls : bool
        Note the calls, with their bytes.
    """

    refuse: Callable[[DiskCall], int] | None = None
    keeps_calls: bool = True
    calls: list[DiskCall] = field(default_factory=list)

    def take(self, call: DiskCall) -> int:
        """Note a call and return what SQLite is told, 0 to go on."""
        code = self.refuse(call) if self.refuse else SQLITE_OK
        if code == SQLITE_OK and self.keeps_calls:
            self.calls.append(call)
        return code


def _find_library() -> ctypes.CDLL:
    """Return the SQLite that Python's `sqlite3` runs on, or skip where it cannot be reached."""
    maps = Path("/proc/self/maps")
    loaded = {line.split()[-1] for line in maps.read_text().splitlines() if "sqlite" in line}
    for name in (*sorted(loaded), _sqlite3.__file__, None):
        library = ctypes.CDLL(name)
        if hasattr(library, "sqlite3_vfs_find"):
            library.sqlite3_libversion.restype = ctypes.c_char_p
            if library.sqlite3_libversion().decode() == sqlite3.sqlite_version:
                library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
                library.sqlite3_vfs_find.argtypes = (ctypes.c_char_p,)
                library.sqlite3_vfs_register.argtypes = (ctypes.POINTER(_Vfs), INT)
                library.sqlite3_vfs_unregister.argtypes = (ctypes.POINTER(_Vfs),)
                return library
    pytest.skip("This Python hides its SQLite; use one that loads libsqlite3 as a library.")


@contextmanager
def watched_disk(disk: Disk) -> Iterator[Disk]:
    """Let every file that SQLite opens within the block pass through the shim."""
    library = _find_library()
    real = library.sqlite3_vfs_find(None)
    real_open = _OPEN(real.contents.open)
    real_delete = _DELETE(real.contents.delete)
    tables: dict[int, tuple[_Methods, list[Any]]] = {}
    paths: dict[int, str] = {}

    def open_file(vfs: int, name: int | None, file: int, flags: int, out: int) -> int:
        path = _read_name(name) if name else ""
        is_new = bool(path) and bool(flags & SQLITE_OPEN_CREATE) and not Path(path).exists()
        code = disk.take(DiskCall("create", path)) if is_new else SQLITE_OK
        code = code or real_open(vfs, name, file, flags, out)
        if code == SQLITE_OK and path:
            opened = _File.from_address(file)
            address = ctypes.addressof(opened.methods.contents)
            if address not in tables:
                tables[address] = _wrap_methods(opened.methods.contents, disk, paths)
            paths[file] = path
            opened.methods = ctypes.pointer(tables[address][0])
        return code

    def delete_file(vfs: int, name: int, sync_folder: int) -> int:
        code = disk.take(DiskCall("delete", _read_name(name)))
        return code or real_delete(vfs, name, sync_folder)

    shim = _Vfs()
    ctypes.memmove(ctypes.byref(shim), real, ctypes.sizeof(_Vfs))
    shim.name = b"crura-shim"
    kept = (_OPEN(open_file), _DELETE(delete_file))
    _KEPT.append((shim, kept, tables))
    shim.open = ctypes.cast(kept[0], POINTER)
    shim.delete = ctypes.cast(kept[1], POINTER)
    library.sqlite3_vfs_register(ctypes.byref(shim), 1)
    try:
        yield disk
    finally:
        library.sqlite3_vfs_register(real, 1)
        library.sqlite3_vfs_unregister(ctypes.byref(shim))


def _read_name(address: int) -> str:
    return os.fsdecode(ctypes.string_at(address))


def _wrap_methods(real: _Methods, disk: Disk, paths: dict[int, str]) -> tuple[_Methods, list[Any]]:
    close, write = _CLOSE(real.close), _WRITE(real.write)
    truncate, sync = _TRUNCATE(real.truncate), _SYNC(real.sync)

    def close_file(file: int) -> int:
        paths.pop(file, None)
        return close(file)

    def write_file(file: int, content: int, length: int, offset: int) -> int:
        call = DiskCall("write", paths[file], offset, ctypes.string_at(content, length))
        return disk.take(call) or write(file, content, length, offset)

    def truncate_file(file: int, size: int) -> int:
        return disk.take(DiskCall("truncate", paths[file], size)) or truncate(file, size)

    def sync_file(file: int, flags: int) -> int:
        return disk.take(DiskCall("sync", paths[file])) or sync(file, flags)

    methods = _Methods()
    ctypes.memmove(ctypes.byref(methods), ctypes.byref(real), ctypes.sizeof(_Methods))
    kept: list[Any] = [
        _CLOSE(close_file),
        _WRITE(write_file),
        _TRUNCATE(truncate_file),
        _SYNC(sync_file),
    ]
    for name, function in zip(("close", "write", "truncate", "sync"), kept, strict=True):
        setattr(methods, name, ctypes.cast(function, POINTER))
    return methods, kept
