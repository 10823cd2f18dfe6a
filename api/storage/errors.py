"""Errors of the store, each a sentence for the person who must act."""

import sqlite3

import msgspec

from sync.errors import SyncError


class StorageError(Exception):
    """The data folder cannot be used as it is; nothing was changed."""


class FolderInUseError(StorageError):
    """Another process serves or writes this data folder."""


class DiskFullError(StorageError):
    """The disk has no room left; nothing of the act was kept."""


class DiskTroubleError(StorageError):
    """The disk refuses to be read or written, or the file is damaged; nothing was kept."""


class WriteInReadingError(RuntimeError):
    """A mistake in the program: a block of reads tried to begin a transaction."""

    def __init__(self) -> None:
        super().__init__("A transaction cannot be begun inside a block of reads.")


# What reading a damaged file brings up, since its rows need not be what their tables promise.
UNREADABLE = (
    SyncError,
    StorageError,
    sqlite3.Error,
    msgspec.MsgspecError,
    ValueError,
    TypeError,
    AttributeError,
    AssertionError,
)
