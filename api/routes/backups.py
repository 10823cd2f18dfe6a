"""Backups of the store that is being served: for `crura backup`, and every so often by itself."""

import logging
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import msgspec
from litestar import Request, post
from litestar.params import JSONBody

from api.routes.rounds import Rounds
from api.routes.surroundings import Around, is_of_machine
from api.storage.backups import write_backup
from api.storage.encrypted_backups import write_encrypted_backup
from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UnknownDeviceError, UseCaseError

_LOG = logging.getLogger("crura")
SUFFIX = ".crura-backup"


class BackupWish(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a command asks of the running server; ``recipients`` empty means in clear."""

    target: Annotated[str, msgspec.Meta(min_length=1, max_length=4_096)]
    recipients: tuple[Annotated[str, msgspec.Meta(max_length=200)], ...] = ()


class BackedUp(msgspec.Struct, frozen=True):
    """Hashes of the pictures left out, since their bytes were altered."""

    left_out: tuple[str, ...]


@post("/api/backups", include_in_schema=False, sync_to_thread=True, opt={"needs": "backups.make"})
def post_backup(
    request: Request[Any, Any, Any], data: JSONBody[BackupWish], around: Around
) -> BackedUp:
    """Write a backup for `crura backup`, which holds the key of the data folder."""
    if not is_of_machine(request):
        raise UnknownDeviceError("Backups are made by `crura backup` on the server.")
    target = Path(data.target)
    if not target.is_absolute():
        # Else it would land wherever the server happened to be started.
        message = "The path of the backup does not begin at the root. Give the whole path."
        raise UseCaseError(message)
    if not data.recipients:
        return BackedUp(write_backup(around.store, target))
    folder = around.store.folder
    return BackedUp(write_encrypted_backup(around.store, folder, target, data.recipients))


class BackupWatch:
    """Writes an encrypted backup every so often, and keeps the newest ones (REL-07).

    Belongs to one event loop. A backup that fails is told in the server's log and tried again at
    the next turn; none is removed before a newer one is whole.

    Parameters
    ----------
    place : Path
        Folder for the backups; best on another disk.
    now_ms : callable
        Wall milliseconds, for the names.
    """

    def __init__(
        self,
        store: UnitStore,
        place: Path,
        recipients: tuple[str, ...],
        *,
        every_seconds: float,
        keep: int,
        now_ms: Callable[[], int],
    ) -> None:
        self._store = store
        self._place = place
        self._recipients = recipients
        self._keep = keep
        self._now_ms = now_ms
        self.rounds = Rounds(self.back_up_now, every_seconds=every_seconds)

    def back_up_now(self) -> Path | None:
        """Write one, drop the oldest beyond those kept, and return it; None if it failed."""
        at = datetime.fromtimestamp(self._now_ms() / 1_000, tz=UTC)
        target = self._place / f"{at:%Y%m%dT%H%M%S}{at.microsecond // 1_000:03}Z{SUFFIX}"
        try:
            self._place.mkdir(parents=True, exist_ok=True)
            folder = self._store.folder
            write_encrypted_backup(self._store, folder, target, self._recipients)
            for old in sorted(self._place.glob(f"*{SUFFIX}"))[: -self._keep]:
                old.unlink()
        except (StorageError, OSError) as error:
            _LOG.error("%s: the backup failed. Look at %s.", type(error).__name__, self._place)
            return None
        return target
