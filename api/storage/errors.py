"""Errors of the store, each a sentence for the person who must act."""


class StorageError(Exception):
    """The data folder cannot be used as it is; nothing was changed."""


class FolderInUseError(StorageError):
    """Another process serves or writes this data folder."""


class DiskFullError(StorageError):
    """The disk has no room left; nothing of the act was kept."""


class DiskTroubleError(StorageError):
    """The disk refuses to be read or written, or the file is damaged; nothing was kept."""
