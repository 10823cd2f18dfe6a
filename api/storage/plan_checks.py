"""What the second check found of the plans of each case, and which cases wait for it."""

from collections.abc import Iterable
from typing import Literal

import msgspec

from api.storage.any_connection import Connection

Verdict = Literal["agrees", "differs", "cannot-be-checked"]


class Difference(msgspec.Struct, frozen=True, kw_only=True):
    """One place in which two answers differ, for a clinician to read.

    Parameters
    ----------
    path : str
        Where in the answer, as RFC 9535 writes it: ``$.targets[0].coils.to``.
    what : str
        The same place in words: "Varix A, most coils".
    tablet, server : str
        Both values in words, each number with its unit.
    """

    path: str
    what: str
    tablet: str
    server: str

    @property
    def words(self) -> str:
        """The difference as one sentence without its stop."""
        return f"{self.what}: tablet {self.tablet}, server {self.server}"


class PlanCheck(msgspec.Struct, frozen=True, kw_only=True):
    """The verdict on one plan.

    Parameters
    ----------
    references : tuple of str
        The operations that hold this plan.
    labels : tuple of str
        The targets that the plan names.
    by, stamp : str
        Who answers for the plan, and when it was saved.
    sentence : str
        Why it cannot be checked and what to do, else "".
    left_out : int
        How many differences there are beyond those listed.
    """

    record: str
    references: tuple[str, ...]
    labels: tuple[str, ...]
    by: str
    stamp: str
    verdict: Verdict
    sentence: str = ""
    differences: tuple[Difference, ...] = ()
    left_out: int = 0


_CHECKS = msgspec.json.Decoder(tuple[PlanCheck, ...])


class PlanCheckStore:
    """One row a case in SQLite. Transactions are the caller's.

    ``may_wait`` is False where surely no case has been marked since `waiting` was last asked.
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        # Spares a look: marks may be left over from before a crash.
        self.may_wait = True

    def await_check(self, records: Iterable[str]) -> None:
        """Let the cases among the records wait for a check; they wait through a crash."""
        cases = sorted({record for record in records if record.startswith("case/")})
        if cases:
            self.may_wait = True
            self._connection.executemany(
                "INSERT INTO plan_check VALUES (?, 1, '[]')"
                " ON CONFLICT (record) DO UPDATE SET is_waiting = 1",
                [(record,) for record in cases],
            )

    def await_check_of_all(self) -> None:
        """Forget every verdict and let every case held here wait."""
        self.may_wait = True
        self._connection.execute("DELETE FROM plan_check")
        self._connection.execute(
            "INSERT INTO plan_check SELECT name, 1, '[]' FROM record"
            " JOIN record_state ON record_state.record = record.id WHERE name > 'case/'"
            " AND name < 'case0'"
        )

    def waiting(self) -> list[str]:
        """Return the cases that wait, sorted."""
        self.may_wait = False
        rows = self._connection.execute(
            "SELECT record FROM plan_check WHERE is_waiting = 1 ORDER BY record"
        )
        return [row[0] for row in rows]

    def keep(self, record: str, checks: Iterable[PlanCheck]) -> None:
        """Keep the verdicts on a case's plans in place of those before; it waits no longer."""
        self._connection.execute(
            "INSERT INTO plan_check VALUES (?, 0, ?) ON CONFLICT (record) DO UPDATE SET"
            " is_waiting = 0, checks = excluded.checks",
            (record, msgspec.json.encode(tuple(checks)).decode()),
        )

    def found(self, streams: Iterable[str]) -> tuple[list[PlanCheck], int]:
        """Return the verdicts on the cases of some streams, by case, and how many still wait."""
        allowed = tuple(streams)
        marks = ", ".join("?" for _ in allowed)
        rows = self._connection.execute(
            "SELECT is_waiting, checks FROM plan_check"  # noqa: S608
            " JOIN record ON record.name = plan_check.record"
            " JOIN record_state ON record_state.record = record.id"
            " JOIN stream ON stream.id = record_state.stream"
            f" WHERE stream.name IN ({marks}) ORDER BY plan_check.record",
            allowed,
        ).fetchall()
        checks = [check for waits, text in rows if not waits for check in _CHECKS.decode(text)]
        return checks, sum(waits for waits, _ in rows)
