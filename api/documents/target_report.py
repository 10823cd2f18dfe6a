"""One target in the report: its numbers, planned beside done, act by act, and its sketch. Pure.

Twin of `state/papers/target-report.ts`.
"""

from collections.abc import Sequence
from typing import Any

from api.documents.case_given import (
    ACTS,
    Given,
    count_given,
    device_of,
    loop_of,
    name_device,
    planned_adhesive,
    planned_for,
    say_expiry,
    say_flush,
    say_lot,
    say_mix,
    say_pure,
)
from api.documents.paper import Block, Drawing, Pairs, Part, Table
from api.documents.paper_words import PaperWords, ml, mm, thousandths
from api.documents.shown_case import ShownCase, ShownRecord, count_in, parts_of, texts_in

_SECOND_MS = 1_000


def report_target(
    case: ShownCase, target: ShownRecord, unmeasured: Sequence[ShownRecord], words: PaperWords
) -> Part:
    """Return the part of a target: numbers, planned beside done, acts with lots, drawing.

    Parameters
    ----------
    unmeasured : sequence of ShownRecord
        Flushes of the case that have no record of their own, since nobody entered an amount.
    """
    label = target.text("label")
    sketch = sketch_target(case, target)
    rows = [
        (words.say(f"report.{name}"), content)
        for name, content in (
            ("size", _say_size(target, words)),
            ("middle", mm(sketch["middle_um"])),
            ("near", mm(sketch["near_um"])),
            ("far", mm(sketch["far_um"])),
            ("route", words.value("route", target.text("access", "route"))),
            ("crus", mm(sketch["crus_um"])),
            ("feeder", _say_feeder(target, sketch, words)),
        )
        if content
    ]
    blocks: list[Block] = [Pairs(rows)] if rows else []
    given = count_given(case, target.record, unmeasured)
    blocks += [
        _table_planned(case, target, given, sketch, words),
        _table_acts(case, target, unmeasured, words),
    ]
    if any(sketch[name] for name in sketch if name not in ("label", "origin", "route")):
        blocks.append(Drawing(words.say("report.drawing", label=label), sketch))
    return Part(label or words.say("report.target"), blocks)


def sketch_target(case: ShownCase, target: ShownRecord) -> dict[str, Any]:
    """Return the numbers that a target is drawn from; null where nobody entered one (DR2)."""
    label = target.text("label")
    steps = [
        one
        for one in case.of_kind("step_event")
        if parts_of(one.shows.get("round")).get("target") == label
    ]
    placed = [one for one in case.of_kind("coil_placed") if one.text("target") == target.record]
    planned = planned_for(case, label)
    picks = texts_in(parts_of(planned.get("coils")).get("picks"))
    loops = [loop for pick in picks if (loop := loop_of(case, pick))]
    # The step asks once before the first puncture: with more targets it names none (DR17).
    before = case.of_kind("step_event") if len(case.of_kind("target")) == 1 else []
    stop = _last_length(steps, "stop_set")
    feeder = target.whole("feeder", "feeder_um")
    return {
        "label": label,
        "origin": target.text("size", "origin"),
        "short_um": target.whole("size", "short_axis_um"),
        "long_um": target.whole("size", "long_axis_um"),
        "third_um": target.whole("size", "third_axis_um"),
        "middle_um": _or(_last_length(steps, "distance"), target.whole("distance", "measured_um")),
        "near_um": target.whole("distance", "near_wall_um"),
        "far_um": target.whole("distance", "far_wall_um"),
        "route": target.text("access", "route"),
        "crus_um": target.whole("access", "crus_um"),
        "feeder_um": None
        if "feeder" in target.conflicts
        else _or(_last_length(before, "feeder"), feeder),
        "planned_stop_um": count_in(planned, "needle_stop_um") if stop is None else None,
        "stop_um": stop,
        "planned_loops_um": [] if placed else loops,
        "placed_loops_um": [one.whole("coil", "loop_um") for one in placed],
    }


def _or(first: int | None, second: int | None) -> int | None:
    return second if first is None else first


def _last_length(steps: Sequence[ShownRecord], step: str) -> int | None:
    """Return the length entered at a step, of the latest puncture at which one was."""
    found: tuple[int, int | None] = (0, None)
    for one in steps:
        length = one.whole("answers", "length_um")
        number = one.whole("round", "puncture") or 0
        if one.text("step") == step and length is not None and number >= found[0]:
            found = (number, length)
    return found[1]


def _say_size(target: ShownRecord, words: PaperWords) -> str:
    if "size" in target.conflicts:
        return words.say("common.two_answers")
    axes = [
        words.say(f"report.{name}", length=mm(target.whole("size", f"{name}_um")))
        for name in ("short_axis", "long_axis", "third_axis")
        if target.whole("size", f"{name}_um") is not None
    ]
    how = [
        words.value("modality", target.text("size", "modality")),
        words.value("origin", target.text("size", "origin")),
    ]
    return ", ".join([*axes, *(one for one in how if one)])


def _say_feeder(target: ShownRecord, sketch: dict[str, Any], words: PaperWords) -> str:
    if "feeder" in target.conflicts:
        return words.say("common.two_answers")
    return mm(sketch["feeder_um"]) or words.value("seen", target.text("feeder", "seen"))


def _table_planned(
    case: ShownCase, target: ShownRecord, given: Given, sketch: dict[str, Any], words: PaperWords
) -> Table:
    planned = planned_for(case, target.text("label"))
    # The plan holds one amount for the case: with more targets it stands under "in all".
    adhesive = planned_adhesive(case) if len(case.of_kind("target")) == 1 else {}
    coils = parts_of(planned.get("coils"))
    first, last = count_in(coils, "from"), count_in(coils, "to")
    span = "" if first is None else str(first) if first == last else f"{first}\u2013{last}"
    rows = [
        ("coils", span, str(given.coils)),
        ("stop", mm(count_in(planned, "needle_stop_um")), mm(sketch["stop_um"])),
        ("punctures", "", str(given.punctures)),
        *rows_of_liquids(given, adhesive, words),
    ]
    return table_of_rows(rows, words)


def report_in_all(
    case: ShownCase, unmeasured: Sequence[ShownRecord], words: PaperWords
) -> list[Part]:
    """Return what the whole case was given, where it has more than one target.

    Also where something was given to none of them: it is in the sum of no target.
    """
    targets = [one.record for one in case.of_kind("target")]
    acts = (*(one for one in case.records if one.kind in ACTS), *unmeasured)
    if len(targets) < 2 and all(one.text("target") in targets for one in acts):  # noqa: PLR2004
        return []
    given = count_given(case, unmeasured=unmeasured)
    rows = [
        ("coils", "", str(given.coils)),
        ("punctures", "", str(given.punctures)),
        *rows_of_liquids(given, planned_adhesive(case), words),
    ]
    return [Part(words.say("report.in_all"), [table_of_rows(rows, words)])]


def rows_of_liquids(
    given: Given, planned: dict[str, Any], words: PaperWords
) -> list[tuple[str, str, str]]:
    """Return adhesive (pure), mix and flush: name, planned, done."""
    return [
        ("pure", ml(count_in(planned, "pure_ul")), say_pure(given, words)),
        ("mix", ml(count_in(planned, "mix_ul")), say_mix(given, words)),
        ("flush", "", say_flush(given, words)),
    ]


def table_of_rows(rows: Sequence[tuple[str, str, str]], words: PaperWords) -> Table:
    """Return planned beside done."""
    none = words.say("report.not_planned")
    return Table(
        ["", words.say("report.planned"), words.say("report.done")],
        [
            [words.say(f"report.{name}"), plan or none, done or words.say("report.not_entered")]
            for name, plan, done in rows
        ],
        [1, 2],
    )


def _table_acts(
    case: ShownCase, target: ShownRecord, unmeasured: Sequence[ShownRecord], words: PaperWords
) -> Table:
    acts = [
        one
        for one in (*case.records, *unmeasured)
        if one.kind in ACTS and one.text("target") in (target.record, "")
    ]
    rows = []
    for one in sorted(acts, key=lambda act: act.text("at")):
        device = device_of(case, one) if one.kind in ("coil_placed", "adhesive_injected") else {}
        has_label = one.kind in ("coil_placed", "adhesive_injected")
        rows.append(
            [
                case.time(one.text("at")),
                _say_act(case, one, words),
                say_lot(device, words) if has_label else "",
                say_expiry(device, words),
            ]
        )
    heads = ("time", "what", "lot", "use_by")
    return Table([words.say(f"common.{head}") for head in heads], rows, [])


def _say_act(case: ShownCase, act: ShownRecord, words: PaperWords) -> str:
    if act.kind == "puncture":
        stop = mm(act.whole("stop_um"))
        text = words.say("report.puncture", number=act.whole("number") or "")
        return text + (words.say("report.with_stop", stop=stop) if stop else "")
    if act.kind == "coil_placed":
        number = act.whole("slot") or ""
        return words.say("report.coil", number=number, name=name_device(case, act, words))
    none = words.say("common.two_answers" if "amount" in act.conflicts else "report.not_entered")
    took = thousandths(_whole_seconds(act.whole("elapsed_ms")))
    within = words.say("report.within", seconds=took) if took else ""
    if act.kind == "flush" and act.text("name"):
        return words.say("report.unmeasured", name=act.text("name"), amount=none)
    if act.kind == "flush":
        amount = ml(act.whole("amount", "flush_ul")) or none
        medium = words.value("medium", act.text("amount", "medium"))
        return words.say("report.flushed", amount=amount, medium=medium).strip() + within
    pure, oil = act.whole("amount", "parts_adhesive"), act.whole("amount", "parts_oil")
    mix = act.whole("amount", "mix_ul")
    share = None
    if pure and oil is not None and mix is not None:
        share = (2 * mix * pure + pure + oil) // (2 * (pure + oil))
    amounts = words.say("report.injected", pure=ml(share) or none, mix=ml(mix) or none)
    parts = words.say("report.parts", pure=pure, oil=oil) if pure and oil else ""
    return f"{name_device(case, act, words)}: {amounts}{parts}{within}"


def _whole_seconds(elapsed_ms: int | None) -> int | None:
    """Return milliseconds rounded to whole seconds, half up, still in milliseconds."""
    if elapsed_ms is None:
        return None
    return (2 * elapsed_ms + _SECOND_MS) // (2 * _SECOND_MS) * _SECOND_MS
