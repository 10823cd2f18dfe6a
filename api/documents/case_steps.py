"""The steps that a case passed: left out, answered "not so", and flushes nobody measured. Pure.

Twin of `state/papers/case-steps.ts`.
"""

from collections.abc import Mapping, Sequence

import msgspec

from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.step_protocol import Step, find_protocol
from api.documents.paper import Lines, Part, Table
from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, ShownRecord, count_in, parts_of, text_in

# Kept as steps passed, but no steps of the protocol.
_BESIDE = ("", "close_out", "plan", "own_plan")
_ROUNDS = ("puncture", "coil", "aliquot")
Steps = Mapping[str, Step]
_Place = tuple[str, str, int | None, int | None, int | None]


class LeftOut(msgspec.Struct, frozen=True):
    """A step that somebody left out, and how it was passed after all, None where it was not."""

    event: ShownRecord
    later: ShownRecord | None


def steps_of(case: ShownCase, book: RuleBook) -> Steps:
    """Return the steps of the protocol that the case took up, by id.

    With its plan, else with its start (HAZ-10); where those bytes are not held here, of the one in
    force. None where no protocol can be read: a report is made all the same.
    """
    plan = case.itself.parts("plan")
    is_saved = isinstance(plan.get("request"), dict) and isinstance(plan.get("answer"), dict)
    held = parts_of(plan.get("protocol")) if is_saved else {}
    held = held or case.itself.parts("step_protocol")
    version = count_in(held, "version")
    pinned = None if version is None else (text_in(held, "name"), version, text_in(held, "sha256"))
    try:
        return {step.id: step for step in find_protocol(book, pinned).rows}
    except RuleFileError:
        return {}


def find_left_out(case: ShownCase) -> list[LeftOut]:
    """Return each step of a round that was left out, once, oldest first; the last word counts."""
    found = []
    for events in _by_place(case):
        left_out = [one for one in events if one.text("outcome") == "skipped"]
        if left_out:
            last = events[-1]
            found.append(LeftOut(left_out[-1], None if last is left_out[-1] else last))
    return sorted(found, key=lambda one: _order(case, one.event))


def find_not_so(case: ShownCase, steps: Steps) -> list[ShownRecord]:
    """Return the checks that the team answered "not so" and went on; the last word counts.

    Of a step that asks what was seen, "no" is a finding and no such answer.
    """
    last_words = [events[-1] for events in _by_place(case)]
    found = [
        one
        for one in last_words
        if one.text("outcome") == "not-seen"
        and (step := steps.get(one.text("step"))) is not None
        and step.takes == "tick"
    ]
    return sorted(found, key=lambda one: _order(case, one))


def report_left_out(case: ShownCase, steps: Steps, words: PaperWords) -> Part:
    """Return the steps left out: when, which, why and by whom."""
    heading = words.say("report.left_out")
    found = find_left_out(case)
    if not found:
        # Of a case that was not recorded step by step nobody can say that none was left out.
        said = "report.none_left_out" if _passed(case) else "report.no_steps"
        return Part(heading, [Lines([words.say(said)])])
    whys = [(one.event, _say_why(case, one, words)) for one in found]
    return Part(heading, [_table(case, whys, steps, words)])


def report_not_so(case: ShownCase, steps: Steps, words: PaperWords) -> list[Part]:
    """Return the checks answered "not so": when, which, why and by whom; nothing without any."""
    found = find_not_so(case, steps)
    if not found:
        return []
    whys = [(one, _say_reason(one, "not_so_reason", words)) for one in found]
    return [Part(words.say("report.not_so"), [_table(case, whys, steps, words)])]


def unmeasured_flushes(case: ShownCase, steps: Steps, words: PaperWords) -> list[ShownRecord]:
    """Return the flushes passed as done of which nobody entered an amount.

    They have no record of their own: each is told as a flush without an amount, named by its step.
    """
    measured = {one.record for one in case.of_kind("flush")}
    labels = {one.text("label"): one.record for one in case.of_kind("target")}
    only = next(iter(labels.values())) if len(labels) == 1 else ""
    found = []
    for event in case.of_kind("step_event"):
        step = steps.get(event.text("step"))
        record = f"flush/{event.record.partition('/')[2]}"
        if step is None or step.takes != "flush" or event.text("outcome") != "done":
            continue
        if record in measured or event.whole("answers", "flush_ul") is not None:
            continue
        label = text_in(event.parts("round"), "target")
        shows = {
            "target": labels.get(label, "") if label else only,
            "name": name_step(step.id, steps, words),
            "at": event.text("at"),
        }
        conflicts = ["amount"] if "answers" in event.conflicts else []
        found.append(ShownRecord(record=record, shows=shows, conflicts=conflicts, by=event.by))
    return found


def name_step(step: str, steps: Steps, words: PaperWords) -> str:
    """Return the name of a step as its protocol gives it; of one that it lacks the bare id."""
    known = steps.get(step)
    return words.value("step", known.title) if known else step.replace("_", " ")


def _table(
    case: ShownCase, whys: Sequence[tuple[ShownRecord, str]], steps: Steps, words: PaperWords
) -> Table:
    rows = [
        [
            case.time(event.text("at")),
            _say_step(event, steps, words),
            why,
            case.name_of(event.by),
        ]
        for event, why in whys
    ]
    # Nobody is asked for a PIN at a step.
    heads = ("time", "step", "reason", "by_stated")
    return Table([words.say(f"common.{head}") for head in heads], rows, [])


def _passed(case: ShownCase) -> Sequence[ShownRecord]:
    return [one for one in case.of_kind("step_event") if one.text("step") not in _BESIDE]


def _by_place(case: ShownCase) -> list[list[ShownRecord]]:
    """Return what was passed by step and round, oldest first in each."""
    places: dict[_Place, list[ShownRecord]] = {}
    for event in _passed(case):
        places.setdefault(_place_of(event), []).append(event)
    return list(places.values())


def _order(case: ShownCase, event: ShownRecord) -> tuple[str, int]:
    return event.text("at"), case.records.index(event)


def _place_of(event: ShownRecord) -> _Place:
    held = event.parts("round")
    puncture, coil, aliquot = (count_in(held, name) for name in _ROUNDS)
    return (event.text("step"), text_in(held, "target"), puncture, coil, aliquot)


def _say_step(event: ShownRecord, steps: Steps, words: PaperWords) -> str:
    held = event.parts("round")
    numbers = ((name, count_in(held, name)) for name in _ROUNDS)
    parts = [
        text_in(held, "target"),
        *(words.say(f"report.round_{name}", number=n) for name, n in numbers if n is not None),
    ]
    said = ", ".join(part for part in parts if part)
    name = name_step(event.text("step"), steps, words)
    return words.say("report.step_in", step=name, round=said) if said else name


def _say_why(case: ShownCase, one: LeftOut, words: PaperWords) -> str:
    reason = _say_reason(one.event, "left_out_reason", words)
    if one.later is None:
        return reason
    return words.say("report.left_out_later", reason=reason, time=case.time(one.later.text("at")))


def _say_reason(event: ShownRecord, field: str, words: PaperWords) -> str:
    if "answers" in event.conflicts:
        return words.say("common.two_answers")
    return words.value(field, event.text("answers", "reason")) or words.say("report.no_reason")
