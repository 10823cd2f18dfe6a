"""Reads the file of the store through when the server starts and on each new day (HAZ-39)."""

from api.routes.daily_watch import LOG, DailyWatch
from api.use_cases.judge_file import FileVerdict, judge_file


class FileWatch(DailyWatch[FileVerdict]):
    """Looks for damage of the file that no entry shows yet."""

    place = "while the file of the store was read through"

    def _check(self, on: str) -> FileVerdict:
        return judge_file(self._store, on=on, now_ms=self._environment.now_ms())

    def _tell(self, found: FileVerdict) -> None:
        if not found.is_sound:
            LOG.error("The file of the store is damaged. See crura verify.")
