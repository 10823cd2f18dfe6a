"""Accesses that name nobody and may have held a record all the same: whole streams, bulk exports.

A device that reads a stream, or a list over all patients, is noted as one event. Whoever asks who
had a patient's record is told of these apart: that they may have held it, and not that they did.
"""

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from api.storage.access_log import AccessLine, Asker
from api.storage.unit_store import UnitStore

SENTENCE = (
    "These were handed whole streams or lists over many patients and may have held this record: "
    "the notes do not say whose records lay in them. A device that reads a stream is noted when it "
    "begins, and goes on from there."
)
# What travels by stream; the reason names the stream, or streams.
_BY_STREAM = ("stream", "snapshot", "bundle")
# A page of the list of segments names its stream, a segment alone does not.
_OF_ANY_STREAM = ("", "segment")
# Lists and exports over many. A line of before this release names nobody of them; one of this
# release where it names the first of more than a line holds, or where nobody can be told.
_LISTS = frozenset(
    {
        "bookings",
        "cases",
        "decisions",
        "failsafe-list",
        "follow-up-check",
        "held-by",
        "implants",
        "network-exports",
        "network-links",
        "plan-checks",
        "recalls-here",
        "reminders",
        "retention",
        "visits",
    }
)
# These name what they were about, and hand out the whole list with it.
_WHOLE_EACH_TIME = frozenset({"recalls-here", "network-links"})
_CUT_OFF = " more records)"


class WideAccess(msgspec.Struct, frozen=True, kw_only=True):
    """Alike accesses of one asker, taken together: how often, first and last when noted.

    ``part`` is the stream or list, where the line says one.
    """

    asker: Asker
    who: str
    role: str
    device: str
    verb: str
    object: str
    part: str
    times: int
    first_ms: int
    last_ms: int


class Wanted(msgspec.Struct, frozen=True):
    """Whose accesses are sought: the records, their streams, and when their first entry came.

    ``since_ms`` is None of records of which no entry ever came: nobody can have held them.
    """

    records: frozenset[str]
    streams: frozenset[str]
    since_ms: int | None

    def may_be_held(self, line: AccessLine) -> bool:
        """Say whether a line that names none of the records may have handed one out."""
        if self.since_ms is None or line.outcome != "done":
            return False
        if line.object in _BY_STREAM:
            named = line.why.split()
            if named and line.why not in _OF_ANY_STREAM and self.streams.isdisjoint(named):
                return False
            # Who began to follow a stream before the record came has read it since.
            return line.object == "stream" or line.noted_ms >= self.since_ms
        if line.noted_ms < self.since_ms:
            return False
        if line.records:
            return line.object in _WHOLE_EACH_TIME or line.why.endswith(_CUT_OFF)
        return line.object in _LISTS


def want_accesses(store: UnitStore, records: Iterable[str]) -> Wanted:
    """Return what to seek for some records; inside a transaction."""
    names = frozenset(records)
    kinds = {name.partition("/")[0] for name in names}
    streams = {store.catalogue.stream_of(kind) for kind in kinds}
    return Wanted(
        names,
        frozenset(stream for stream in streams if stream is not None),
        store.ages.first_entry_ms(names),
    )


def part_accesses(
    lines: Iterable[AccessLine], wanted: Wanted
) -> tuple[tuple[AccessLine, ...], tuple[WideAccess, ...]]:
    """Return the lines that name one of the records, and what else may have held one."""
    named: list[AccessLine] = []
    wide: list[AccessLine] = []
    for line in lines:
        if not wanted.records.isdisjoint(line.records):
            named.append(line)
        elif wanted.may_be_held(line):
            wide.append(line)
    return tuple(named), sum_up(wide)


def sum_up(lines: Iterable[AccessLine]) -> tuple[WideAccess, ...]:
    """Return lines taken together by who and what, the latest first."""
    found: dict[tuple[str, ...], WideAccess] = {}
    for line in lines:
        part = line.why if line.object in (*_BY_STREAM, "decisions") else ""
        key = (line.asker, line.who, line.role, line.device, line.verb, line.object, part)
        before = found.get(key)
        found[key] = WideAccess(
            asker=line.asker,
            who=line.who,
            role=line.role,
            device=line.device,
            verb=line.verb,
            object=line.object,
            part=part,
            times=1 if before is None else before.times + 1,
            first_ms=line.noted_ms if before is None else min(before.first_ms, line.noted_ms),
            last_ms=line.noted_ms if before is None else max(before.last_ms, line.noted_ms),
        )
    return tuple(sorted(found.values(), key=lambda one: -one.last_ms))


def say_wide(one: WideAccess, names: Mapping[str, str]) -> tuple[str, str, str, str, str]:
    """Return who, what, how often, and when first and last noted, as papers and commands say it."""
    who = "  ".join(
        part for part in (names.get(one.who) or one.who or one.asker, one.role, one.device) if part
    )
    what = " ".join(part for part in (one.verb, one.object, one.part) if part)
    often = "once" if one.times == 1 else f"{one.times} times"
    return who, what, often, _instant(one.first_ms), _instant(one.last_ms)


def tell_wide(found: Sequence[WideAccess], names: Mapping[str, str]) -> Iterator[str]:
    """Yield lines for a command: how many there are and what that means, then each."""
    if found:
        yield f"May have held this record: {len(found)}. {SENTENCE}"
    for one in found:
        # What was noted once is told with one time.
        yield "  ".join(dict.fromkeys(say_wide(one, names)))


def _instant(ms: int) -> str:
    moment = datetime.datetime.fromtimestamp(ms / 1_000, datetime.UTC)
    return moment.isoformat(timespec="seconds")
