"""Judge the file that the store lies in, and keep the verdict for whoever decides what to do."""

import msgspec

from api.storage.unit_store import UnitStore

_FACT = "file_verdict"
_SOUND = "ok"


class FileVerdict(msgspec.Struct, frozen=True):
    """What the database says of its own file on a civil date; `is_sound` where it found nothing."""

    as_of_on: str
    judged_ms: int
    verdict: str

    @property
    def is_sound(self) -> bool:
        """Say whether nothing was found."""
        return self.verdict == _SOUND


def judge_file(store: UnitStore, *, on: str, now_ms: int) -> FileVerdict:
    """Read the whole file through, keep what was found, and return it.

    Notes
    -----
    SQLite's own check, through the one connection that may have the file open: a second one could
    do the harm that is looked for (HAZ-39).
    """
    with store.transaction():
        found = FileVerdict(on, now_ms, store.check_file())
        store.keep_fact(_FACT, msgspec.json.encode(found).decode())
    return found


def last_verdict(store: UnitStore) -> FileVerdict | None:
    """Return what was found last, None where nobody has looked. Runs inside a transaction."""
    kept = store.fact(_FACT)
    return msgspec.json.decode(kept, type=FileVerdict) if kept else None
