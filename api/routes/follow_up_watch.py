"""Checks the promise of follow-up when the server starts and on each new day, and keeps it."""

from api.routes.daily_watch import LOG, DailyWatch
from api.use_cases.check_follow_up import FollowUpCheck, check_follow_up


class FollowUpWatch(DailyWatch[FollowUpCheck]):
    """Looks for patients without a next act."""

    place = "in the check of follow-up"

    def _check(self, on: str) -> FollowUpCheck:
        return check_follow_up(self._store, on=on)

    def _tell(self, found: FollowUpCheck) -> None:
        if found.gaps:
            LOG.warning("Gaps in follow-up: %d. See crura check-follow-up.", len(found.gaps))
