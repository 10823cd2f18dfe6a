"""What a case was given, counted from its records. Pure. Twin of `state/papers/case-given.ts`.

Adhesive (pure) and mix are never one number (HAZ-04).
"""

from collections.abc import Sequence
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.documents.paper import Table
from api.documents.paper_words import PaperWords, ml, mm
from api.documents.shown_case import (
    ShownCase,
    ShownRecord,
    count_in,
    parts_of,
    text_in,
)

# Only then does the day that was booked still say when.
_KEPT = ("booked", "attended", "no-show")
ACTS = ("puncture", "coil_placed", "adhesive_injected", "flush")


class Given(msgspec.Struct, frozen=True, kw_only=True):
    """What was given to one target or in all, in microlitres.

    Parameters
    ----------
    pure_ul : int
        Adhesive of which the parts are known.
    unknown_ul : int
        Mix whose parts nobody entered: its share of adhesive is in no sum.
    lacking, flush_lacking : list of ShownRecord
        Injections and flushes of which no amount is read: they are in no sum.
    """

    coils: int
    punctures: int
    pure_ul: int
    mix_ul: int
    unknown_ul: int
    flush_ul: int
    injections: int
    flushes: int
    lacking: list[ShownRecord]
    flush_lacking: list[ShownRecord]


def count_given(case: ShownCase, target: str = "", unmeasured: Sequence[ShownRecord] = ()) -> Given:
    """Return what the records add up to; the pure share is rounded once per mixing ratio.

    Parameters
    ----------
    unmeasured : sequence of ShownRecord
        Flushes that have no record of their own, since nobody entered an amount.
    """
    held = {
        kind: [
            one
            for one in (*case.of_kind(kind), *(unmeasured if kind == "flush" else ()))
            if target in ("", one.text("target"))
        ]
        for kind in ACTS
    }
    by_ratio: dict[tuple[int, int], int] = {}
    unknown = 0
    for one in held["adhesive_injected"]:
        pure, oil = one.whole("amount", "parts_adhesive"), one.whole("amount", "parts_oil")
        given = one.whole("amount", "mix_ul")
        if given is None:
            continue
        if not pure or oil is None:
            unknown += given
        else:
            by_ratio[pure, oil] = by_ratio.get((pure, oil), 0) + given
    return Given(
        coils=len(held["coil_placed"]),
        punctures=len(held["puncture"]),
        pure_ul=sum(
            (2 * given * pure + pure + oil) // (2 * (pure + oil))
            for (pure, oil), given in by_ratio.items()
        ),
        mix_ul=sum(by_ratio.values()) + unknown,
        unknown_ul=unknown,
        flush_ul=sum(one.whole("amount", "flush_ul") or 0 for one in held["flush"]),
        injections=len(held["adhesive_injected"]),
        flushes=len(held["flush"]),
        lacking=[one for one in held["adhesive_injected"] if one.whole("amount", "mix_ul") is None],
        flush_lacking=[one for one in held["flush"] if one.whole("amount", "flush_ul") is None],
    )


def say_pure(given: Given, words: PaperWords) -> str:
    """Return the pure adhesive in words; what is not known of it is said."""
    pure = ml(given.pure_ul)
    if given.unknown_ul:
        pure = words.say("common.pure_unknown", pure=pure, mix=ml(given.unknown_ul))
    return _say_with_lacking(pure, given.injections, given.lacking, words)


def say_mix(given: Given, words: PaperWords) -> str:
    """Return the mix in words; injections without an amount are told, never counted as none."""
    return _say_with_lacking(ml(given.mix_ul), given.injections, given.lacking, words)


def say_flush(given: Given, words: PaperWords) -> str:
    """Return what was flushed in words; flushes without an amount are counted."""
    lacking = given.flush_lacking
    is_none = bool(lacking) and len(lacking) == given.flushes
    if is_none and not any("amount" in one.conflicts for one in lacking):
        return words.say("report.flush_lacking", count=len(lacking))
    return _say_with_lacking(ml(given.flush_ul), given.flushes, lacking, words)


def _say_with_lacking(
    amount: str, count: int, lacking: Sequence[ShownRecord], words: PaperWords
) -> str:
    if not lacking:
        return amount
    if len(lacking) == count:
        in_doubt = any("amount" in one.conflicts for one in lacking)
        return words.say("common.two_answers" if in_doubt else "report.not_entered")
    return words.say("common.amount_lacking", amount=amount, count=len(lacking))


def device_of(case: ShownCase, record: ShownRecord) -> dict[str, Any]:
    """Return the device of an implant or package: its own label, else that of its package.

    An injection names no package: it has the label that all adhesive packages of the case share.
    `in_doubt` alone stands where two answers wait.
    """
    if "device" in record.conflicts:
        return {"in_doubt": True}
    own = record.parts("device")
    if own:
        return own
    if "package" in record.conflicts:
        return {"in_doubt": True}
    package = record.text("package")
    named = [one for one in case.records if one.record == package]
    packages = named or (adhesive_packages(case) if record.kind == "adhesive_injected" else [])
    if any("device" in one.conflicts for one in packages):
        return {"in_doubt": True}
    labels = {_label_of(one.parts("device")): one.parts("device") for one in packages}
    return next(iter(labels.values())) if len(labels) == 1 else {}


def _label_of(device: dict[str, Any]) -> tuple[str, ...]:
    names = ("identifier", "lot", "serial", "expires_on")
    unknown = "unknown" if device.get("lot_unknown") is True else ""
    return (*(text_in(device, name) for name in names), unknown)


def adhesive_packages(case: ShownCase) -> list[ShownRecord]:
    """Return the adhesive packages of a case, without those that went back unopened."""
    return [
        one
        for one in case.of_kind("package_opened")
        if one.text("item") == "adhesive" and one.text("fate") != "returned"
    ]


def stock_of(case: ShownCase, record: ShownRecord) -> str:
    """Return the stock item of an implant or package, "" where none is named.

    An injection names none: it is that of the adhesive package with its lot, or of the only one.
    """
    own = record.text("stock_id") or record.text("coil", "stock_id")
    if own or record.kind != "adhesive_injected":
        return own
    opened = adhesive_packages(case)
    lot = record.text("device", "lot")
    alike = [one for one in opened if lot and one.text("device", "lot") == lot] or opened
    named = {one.text("stock_id") for one in alike}
    return named.pop() if len(named) == 1 else ""


def name_device(case: ShownCase, record: ShownRecord, words: PaperWords) -> str:
    """Return what an implant or package is called here."""
    if "coil" in record.conflicts:
        return f"{words.say('common.coil')}, {words.say('common.two_answers')}"
    stocked = case.stocked(stock_of(case, record))
    if stocked and stocked.text("name"):
        return stocked.text("name")
    if record.kind == "adhesive_injected":
        return words.value("agent", record.text("amount", "agent")) or words.say("common.adhesive")
    loop = mm(record.whole("coil", "loop_um"))
    if loop:
        return words.say("common.coil_of", loop=loop)
    item = record.text("item")
    return words.say("common.coil_unsized") if item in ("", "coil") else words.value("item", item)


def say_lot(device: dict[str, Any], words: PaperWords) -> str:
    """Return the lot; that nobody entered one differs from a lot said to be unknown."""
    if device.get("in_doubt") is True:
        return words.say("common.two_answers")
    lot = text_in(device, "lot")
    if lot:
        return lot
    unknown = device.get("lot_unknown") is True
    return words.say("common.lot_unknown" if unknown else "common.lot_missing")


def say_expiry(device: dict[str, Any], words: PaperWords) -> str:
    """Return the use-by date, "" where none is recorded."""
    if device.get("in_doubt") is True:
        return words.say("common.two_answers")
    return words.day(text_in(device, "expires_on"))


def table_implants(case: ShownCase, words: PaperWords) -> Table:
    """Return every implant kind and lot once, with its count, adhesive last."""
    found: dict[tuple[str, ...], int] = {}
    for kind in ("coil_placed", "adhesive_injected"):
        for one in case.of_kind(kind):
            device = device_of(case, one)
            key = (
                name_device(case, one, words),
                say_lot(device, words),
                text_in(device, "serial"),
                say_expiry(device, words),
                kind,
            )
            found[key] = found.get(key, 0) + 1
    heads = ("what", "lot", "serial", "use_by", "count")
    return Table(
        [words.say(f"common.{head}") for head in heads],
        [
            [*key[:4], words.say("common.injections", count=n) if "adhesive" in key[4] else str(n)]
            for key, n in found.items()
        ],
        [4],
    )


def table_visits(case: ShownCase, words: PaperWords) -> Table:
    """Return the visits that follow, in the order of their days."""
    rows = []
    for visit in case.visits:
        window = visit.parts("window")
        status = visit.text("status")
        booked = text_in(visit.parts("booking"), "on") if status in _KEPT else ""
        in_doubt = not {"booking", "status"}.isdisjoint(visit.conflicts)
        doubt = words.say("common.two_answers")
        target = text_in(window, "target_on")
        rows.append(
            (
                booked or target,
                [
                    words.value("contact", visit.text("label")),
                    doubt if in_doubt else words.day(booked or target),
                    say_window(window, words),
                    doubt if in_doubt else words.value("status", status),
                ],
            )
        )
    heads = ("visit", "day", "window", "standing")
    return Table(
        [words.say(f"common.{head}") for head in heads],
        [row for _, row in sorted(rows, key=lambda one: one[0])],
        [],
    )


def say_window(window: dict[str, Any], words: PaperWords) -> str:
    """Return from when to when a visit may be, "" without both days."""
    first, last = text_in(window, "earliest_on"), text_in(window, "latest_on")
    if not (is_civil_date(first) and is_civil_date(last)):
        return ""
    return words.say("common.from_to", first=words.day(first), last=words.day(last))


def planned_for(case: ShownCase, label: str) -> dict[str, Any]:
    """Return what the saved plan answers for a target; nothing outside the stated use (HAZ-13)."""
    if case.outside:
        return {}
    answer = parts_of(case.itself.parts("plan").get("answer"))
    targets = answer.get("targets")
    rows = [parts_of(one) for one in targets] if isinstance(targets, list) else []
    return next((one for one in rows if text_in(one, "label") == label), {})


def planned_adhesive(case: ShownCase) -> dict[str, Any]:
    """Return what the saved plan says of the adhesive of the whole case."""
    answer = parts_of(case.itself.parts("plan").get("answer"))
    return {} if case.outside else parts_of(answer.get("adhesive"))


def loop_of(case: ShownCase, stock: str) -> int | None:
    """Return the loop of a stocked coil in micrometres, None where it is not known."""
    stocked = case.stocked(stock)
    return count_in(stocked.parts("coil"), "loop_um") if stocked else None
