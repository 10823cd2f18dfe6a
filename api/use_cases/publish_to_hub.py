"""One whole try at the hub: exchange, publish what changed, send it, and tell how the unit stands.

Published is only what follows from a store that has just exchanged: after a backup was put back, a
unit has its own last entries again before it compares anything with them (RG10).
"""

import logging
from collections.abc import Callable, Iterable

import msgspec

from api.storage.errors import StorageError
from api.storage.hub_line_store import HubLine
from api.storage.hub_requests import HubRequests, NoAnswerError
from api.storage.unit_store import UnitStore
from api.use_cases.errors import UseCaseError
from api.use_cases.hub_line import (
    HubLineError,
    LineStanding,
    Transport,
    count_unsent,
    find_oldest_unsent_ms,
    tell_line,
)
from api.use_cases.hub_round import HubRound
from api.use_cases.publish_registry import publish_registry
from api.use_cases.registry_erasures import tell_erasures
from api.use_cases.registry_log import registry_key
from api.use_cases.renew_answers import renew_answers
from api.use_cases.server_log import Chance
from api.use_cases.standing_report import make_standing_report
from api.use_cases.take_in_recalls import take_in_recalls
from sync.exchange_machine import FORBIDDEN
from sync.exchange_messages import Finish

# Unit setting (project default): how often a unit that has nothing new asks, and how its pauses
# grow while it reaches nobody. With the time until somebody looks, and that of a round, a report is
# younger than the five minutes after which the hub's desk calls it old (DM-01).
EVERY_MS = 240_000
FIRST_PAUSE_MS = 30_000
LONGEST_PAUSE_MS = 1_800_000

_LOG = logging.getLogger("crura")
_BROKEN = (
    "The exchange with the hub broke ({}). It is tried again; if this stays so, tell whoever looks "
    "after this server and the hub."
)

DrawChance = Callable[[], Chance]
Publish = Callable[[UnitStore, DrawChance], int]


def exchange_with_hub(
    store: UnitStore,
    *,
    build: str,
    today: str,
    draw_chance: DrawChance,
    open_transport: Transport = lambda: None,
    publish: Publish | None = None,
) -> LineStanding:
    """Try once, keep what came of it, and return how the line stands.

    Parameters
    ----------
    publish : callable or None
        Writes what changed since it last did; None is what this release publishes.

    Raises
    ------
    HubLineError
        No hub was joined.
    """
    write_changes = publish or _publish
    line = _note(store, last_try_ms=draw_chance().now_ms)
    with HubRequests(
        line.address,
        line.device,
        registry_key(store),
        token=line.token,
        transport=open_transport(),
    ) as requests:
        finish = _try(
            store,
            requests,
            write_changes,
            build=build,
            today=today,
            draw_chance=draw_chance,
        )
    now_ms = draw_chance().now_ms
    is_done = finish.outcome == "done"
    failures = 0 if is_done else line.failures + 1
    changed: dict[str, object] = {
        "outcome": finish.outcome,
        "sentence": finish.sentence,
        "failures": failures,
        "next_try_ms": now_ms + _pause(line, finish, failures),
    }
    if finish.outcome != "no_network":
        changed["last_contact_ms"] = now_ms
    _note(store, **changed)
    return tell_line(store)


def pause_after(failures: int) -> int:
    """Return how long to wait after so many tries without success, milliseconds.

    Examples
    --------
    >>> [pause_after(number) for number in (1, 2, 3, 40)]
    [30000, 60000, 120000, 1800000]
    """
    return min(LONGEST_PAUSE_MS, FIRST_PAUSE_MS << min(failures - 1, 20))


def _pause(line: HubLine, finish: Finish, failures: int) -> int:
    if finish.outcome == "done":
        return EVERY_MS
    # Whoever compares the digits sees the unit come in.
    return FIRST_PAUSE_MS if line.is_waiting else pause_after(failures)


def is_try_due(store: UnitStore, *, now_ms: int, is_first: bool = False) -> bool:
    """Say whether it is time to try: its hour has come, or there is something new to send.

    Parameters
    ----------
    is_first : bool
        The server has only just started: whoever starts it anew waits for no pause.
    """
    with store.transaction():
        line = store.hub_line.find()
        if line is None:
            return False
        # A clock that was put back must not let the unit wait for ever.
        if (
            is_first
            or line.next_try_ms is None
            or not 0 < line.next_try_ms - now_ms <= LONGEST_PAUSE_MS
        ):
            return True
        return line.outcome == "done" and count_unsent(store) > 0


def _try(
    store: UnitStore,
    requests: HubRequests,
    publish: Publish,
    *,
    build: str,
    today: str,
    draw_chance: DrawChance,
) -> Finish:
    try:
        if (waiting := _wait_to_be_let_in(store, requests)) is not None:
            return waiting
        untold = tell_erasures(store, requests, today=today)
        finish = HubRound(store, requests, draw_chance).run()
        if finish.outcome != "done":
            return finish
        parts: tuple[Callable[[], int], ...] = (
            lambda: _take_in(store, draw_chance),
            lambda: publish(store, draw_chance),
            lambda: renew_answers(store, on=today, draw_chance=draw_chance),
        )
        written, faults = _do_each(parts)
        if written:
            sent = HubRound(store, requests, draw_chance).run()
            finish = sent if sent.outcome != "done" or sent.sentence else finish
        if finish.outcome == "done":
            barred = _tell_standing(
                store, requests, build=build, today=today, draw_chance=draw_chance
            )
            finish = barred or finish
            if finish.outcome == "done" and (faults := [*faults, *([untold] if untold else [])]):
                finish = Finish(outcome="refused", sentence=faults[0])
    except NoAnswerError as error:
        return Finish(outcome="no_network", sentence=str(error))
    except Exception as error:  # noqa: BLE001  what nobody foresaw must stand in the line, too
        return Finish(outcome="refused", sentence=_say_fault(error))
    return finish


def _do_each(parts: Iterable[Callable[[], int]]) -> tuple[int, list[str]]:
    """Return how many operations were written, and a sentence for each part that failed.

    What cannot be published today keeps no recall from being answered, and no report back.
    """
    written, faults = 0, []
    for part in parts:
        try:
            written += part()
        except Exception as error:  # noqa: BLE001  as above
            faults.append(_say_fault(error))
    return written, faults


def _say_fault(error: Exception) -> str:
    if isinstance(error, StorageError | UseCaseError):
        return str(error)
    # Its name alone: what it says may hold what records hold (SEC-20).
    _LOG.error("%s in the exchange with the hub", type(error).__name__)
    return _BROKEN.format(type(error).__name__)


def _take_in(store: UnitStore, draw_chance: DrawChance) -> int:
    take_in_recalls(store, draw_chance=draw_chance)
    # Notices of the unit are none of what the hub is sent.
    return 0


def _wait_to_be_let_in(store: UnitStore, requests: HubRequests) -> Finish | None:
    """Ask whether a person at the hub has let this unit in; None once it is (RQ7)."""
    with store.transaction():
        line = store.hub_line.find()
    if line is None or not line.is_waiting:
        return None
    answer = requests.get("/api/devices/own")
    if not answer.is_good:
        return Finish(outcome="refused", sentence=answer.sentence)
    if isinstance(answer.content, dict) and answer.content.get("is_waiting") is False:
        _note(store, is_waiting=False)
        return None
    digits = f"{line.fingerprint[:3]} {line.fingerprint[3:]}"
    return Finish(
        outcome="refused",
        sentence=f"The hub waits for a person there: read the digits {digits} out to whoever "
        "looks after it.",
    )


def _publish(store: UnitStore, draw_chance: DrawChance) -> int:
    """Write what changed since the last time, and return how many operations that were."""
    return publish_registry(store, now_ms=draw_chance().now_ms, draw_chance=draw_chance)


def _tell_standing(
    store: UnitStore,
    requests: HubRequests,
    *,
    build: str,
    today: str,
    draw_chance: DrawChance,
) -> Finish | None:
    """Send the standing report; one that is refused is sent again with the next try.

    A unit that was revoked hears it here, also where it has nothing to send and nothing to read.
    """
    with store.transaction():
        unsent, oldest_unsent_ms = count_unsent(store), find_oldest_unsent_ms(store)
    report = make_standing_report(
        store,
        build=build,
        now_ms=draw_chance().now_ms,
        today=today,
        unsent=unsent,
        oldest_unsent_ms=oldest_unsent_ms,
    )
    answer = requests.post("/api/network/standing", report)
    if answer.status == FORBIDDEN:
        return Finish(outcome="refused", sentence=answer.sentence)
    return None


def _note(store: UnitStore, **changed: object) -> HubLine:
    with store.transaction():
        line = store.hub_line.find()
        if line is None:
            raise HubLineError("This unit has joined no hub. Join one: `crura hub join LINK`.")
        line = msgspec.structs.replace(line, **changed)
        store.hub_line.keep(line)
        return line
