"""The report of a procedure: what was found, planned and done, and who signed it. Pure.

Twin of `state/papers/procedure-report.ts`.
"""

from collections.abc import Sequence
from typing import Any

from api.clinical_rules.adverse_events import FACTS, GRADES, grade_adverse_event
from api.clinical_rules.errors import ClinicalRuleError
from api.clinical_rules.rule_book import RuleBook
from api.documents.case_findings import report_agreed, report_liver, report_reasons
from api.documents.case_given import device_of, name_device, say_expiry, say_lot, table_visits
from api.documents.case_lots import tell_lots
from api.documents.case_steps import report_left_out, report_not_so, steps_of, unmeasured_flushes
from api.documents.paper import Blanks, Block, Lines, Pairs, Paper, Part, Picture, Points, Table
from api.documents.paper_head import foot_of, head_of, sender_of
from api.documents.paper_words import PaperWords
from api.documents.passed_gates import report_cautions, report_passed
from api.documents.shown_case import (
    ONE_ANSWER,
    ShownCase,
    ShownRecord,
    count_text,
    once,
    parts_of,
    rows_in,
    text_in,
)
from api.documents.target_report import report_in_all, report_target
from api.documents.who_confirmed import how_confirmed, say_actor

_HASH_SHOWN = 16
_STARTED = ("in-procedure", "closing", "closed")
_OUTCOME = ("doppler_flow", "technical_success")
_ORDERS = ("nil_by_mouth_hours", "observation_hours", "antibiotic_days")


def write_report(case: ShownCase, book: RuleBook, words: PaperWords) -> Paper:
    """Return the report of a case.

    Notes
    -----
    What is not entered is said to be so, two answers are said and neither is printed (HARD-06),
    and of a case outside the stated use nothing planned or computed is printed (HAZ-13).
    """
    liver, liver_files = report_liver(case, book, words)
    events, event_files = _report_events(case, book, words)
    steps = steps_of(case, book)
    unmeasured = unmeasured_flushes(case, steps, words)
    parts = [
        *_report_doubts(case, words),
        _report_team(case, words),
        report_reasons(case, words),
        report_agreed(case, words),
        liver,
        *(report_target(case, target, unmeasured, words) for target in case.targets()),
        *report_in_all(case, unmeasured, words),
        _report_packages(case, words),
        _report_outcome(case, words),
        report_left_out(case, steps, words),
        *report_not_so(case, steps, words),
        report_passed(case, book, words),
        report_cautions(case, book, words),
        events,
        _report_visits(case, words),
        *_report_pictures(case, words),
        _report_signatures(case, words),
        _report_files(case, [*liver_files, *event_files], words),
    ]
    return Paper(
        paper="procedure-report",
        language=words.language,
        is_draft=words.standing == "draft",
        title=words.say("report.title"),
        sender=sender_of(case),
        recipient=None,
        dated=words.day(case.on),
        head=head_of(case, words),
        parts=parts,
        faces=[],
        foot=foot_of(case, words),
    )


def _report_doubts(case: ShownCase, words: PaperWords) -> list[Part]:
    """Return what is in doubt, said before everything else."""
    lines = [
        words.say(
            # Decisions asks nothing of a kind that keeps every value: one entry is to go.
            "report.two_entries" if one.kind in ONE_ANSWER else "report.two_answers",
            field=field.replace("_", " "),
            record=one.record,
        )
        for one, field in case.doubts()
    ]
    if case.is_changed:
        lines += [words.say("report.changed"), _say_changed(case, words)]
    if case.outside:
        lines.append(words.say("report.record_only"))
    if case.itself.text("stage") not in _STARTED and not case.of_kind("puncture"):
        lines.append(words.say("report.not_done"))
    return [Part(words.say("report.doubts"), [Points(lines)])] if lines else []


def _say_changed(case: ShownCase, words: PaperWords) -> str:
    # Names of fields alone: what they say stands below.
    what = ", ".join(
        words.say("report.field_of", field=field.replace("_", " "), record=record)
        for record, field in case.changed
    )
    return words.say("report.changed_what" if what else "report.changed_unseen", what=what)


def _report_team(case: ShownCase, words: PaperWords) -> Part:
    roster = case.itself.shows.get("roster")
    named = [
        text_in(one, "staff") or text_in(one, "by") for one in rows_in(roster)
    ] or case.itself.texts("roster")
    recorded = once(one.by for one in case.records if one.kind != "visit_result")
    rows = [
        (words.say(label), ", ".join(_person(case, one, words) for one in people))
        for label, people in (("report.roster", named), ("report.recorded_by", recorded))
        if people
    ]
    return Part(words.say("report.team"), [Pairs(rows)])


def _person(case: ShownCase, person: str, words: PaperWords) -> str:
    found = next((one for one in case.staff if one.record == person), None)
    role = words.value("role", found.text("role")) if found else ""
    return f"{case.name_of(person)} ({role})" if role else case.name_of(person)


def _report_packages(case: ShownCase, words: PaperWords) -> Part:
    used = {one.text("package") for one in case.of_kind("coil_placed")}
    rows = []
    for one in case.of_kind("package_opened"):
        fate = "placed" if one.record in used else one.text("fate")
        device = device_of(case, one)
        rows.append(
            [
                name_device(case, one, words),
                say_lot(device, words),
                text_in(device, "serial"),
                say_expiry(device, words),
                words.value("fate", fate),
            ]
        )
    if not rows:
        none = Lines([words.say("report.no_packages")])
        return Part(words.say("report.packages"), [none, *tell_lots(case, words)])
    heads = ("what", "lot", "serial", "use_by", "became")
    table = Table([words.say(f"common.{head}") for head in heads], rows, [])
    return Part(words.say("report.packages"), [table, *tell_lots(case, words)])


def _report_outcome(case: ShownCase, words: PaperWords) -> Part:
    record = f"step_event/{case.itself.record.removeprefix('case/')}-close-out"
    held = next((one for one in case.records if one.record == record), None)
    said = held.parts("answers") if held else {}
    if not said:
        signed = case.of_kind("sign_off")[-1:]
        said = signed[0].parts("outcome") if signed else {}
    last = [one for one in case.of_kind("step_event") if one.text("step") == "final_doppler"][-1:]
    if "doppler_flow" not in said and last and last[0].text("outcome") == "not-seen":
        said = {**said, "doppler_flow": "none"}
    none = words.say("report.not_entered")
    rows = [
        (words.say(f"report.{name}"), words.value(name, said.get(name)) or none)
        for name in _OUTCOME
    ]
    for name in _ORDERS:
        number = said.get(name)
        is_number = isinstance(number, int) and not isinstance(number, bool)
        unit = "report.days" if name.endswith("days") else "report.hours"
        rows.append(
            (words.say(f"report.{name}"), words.say(unit, count=number) if is_number else none)
        )
    return Part(words.say("report.outcome"), [Pairs(rows)])


def _report_events(
    case: ShownCase, book: RuleBook, words: PaperWords
) -> tuple[Part, Sequence[dict[str, Any]]]:
    events = [one for one in case.of_kind("complication") if one.text("what") != "none"]
    heading = words.say("report.events")
    if not events:
        is_said = bool(case.of_kind("complication"))
        line = words.say("report.no_events" if is_said else "report.events_not_asked")
        return Part(heading, [Lines([line])]), []
    rows: list[list[str]] = []
    files: list[dict[str, Any]] = []
    for event in events:
        grades, of_event = _grade(event, book, words)
        files += of_event
        facts = _facts_of(event)
        on = text_in(facts, "on") or case.civil_date(event.text("at"))
        what = words.value("what", event.text("what"))
        note = event.text("note")
        rows.append([words.day(on), f"{what}. {note}" if note else what, *grades])
    heads = [words.say("common.day"), words.say("common.what"), "AGREE", "ASGE"]
    return Part(heading, [Table(heads, rows, [])]), files


def _facts_of(event: ShownRecord) -> dict[str, Any]:
    """Return the facts with one answer: each press keeps its own beside the others."""
    held = event.held.get("facts", [event.shows.get("facts")])
    answers: dict[str, list[Any]] = {}
    for one in held:
        for name, answer in parts_of(one).items():
            if answer is not None and answer not in answers.setdefault(name, []):
                answers[name].append(answer)
    return {name: found[0] for name, found in answers.items() if len(found) == 1}


def _grade(
    event: ShownRecord, book: RuleBook, words: PaperWords
) -> tuple[list[str], Sequence[dict[str, Any]]]:
    facts = {name: one for name, one in _facts_of(event).items() if name in FACTS}
    try:
        answer: Any = grade_adverse_event(facts, book)
    except ClinicalRuleError:
        return [words.say("report.not_graded")] * len(GRADES), []
    grades = [
        words.say("report.at_least", grade=words.value("grade", answer[scale]["grade"]))
        if answer[scale]["at_least"]
        else words.value("grade", answer[scale]["grade"])
        for scale in GRADES
    ]
    return grades, answer["rule_files"]


def _report_visits(case: ShownCase, words: PaperWords) -> Part:
    heading = words.say("report.visits")
    reason = words.value("no_follow_up", case.itself.text("no_follow_up_because"))
    blocks: list[Block] = [table_visits(case, words)] if case.visits else []
    # Also beside visits that have all ended, as by a death: the table does not say why.
    if reason and all(one.text("status") == "ended" for one in case.visits):
        blocks.insert(0, Lines([words.say("report.no_follow_up", reason=reason)]))
    return Part(heading, blocks or [Lines([words.say("report.no_visits")])])


def _report_pictures(case: ShownCase, words: PaperWords) -> list[Part]:
    blocks: list[Block] = [
        Picture(sha256, words.say("report.picture", number=place, time=case.time(one.text("at"))))
        for place, one in enumerate(case.of_kind("picture"), start=1)
        if (sha256 := one.text("file", "sha256"))
    ]
    return [Part(words.say("report.pictures"), blocks)] if blocks else []


def _signer(case: ShownCase, signature: ShownRecord, words: PaperWords) -> str:
    """Return who signed with the role; of whom the unit's list knows nothing, as stated."""
    if any(one.record == signature.by for one in case.staff):
        return _person(case, signature.by, words)
    return say_actor(case, signature, words)


def _report_signatures(case: ShownCase, words: PaperWords) -> Part:
    signed = [
        words.say(
            "report.signed",
            name=_signer(case, one, words),
            day=words.day(case.civil_date(one.text("at"))),
            time=case.time(one.text("at")),
            how=words.value("confirmed", how_confirmed(one)),
            digest=one.text("digest")[:_HASH_SHOWN],
        )
        for one in case.of_kind("sign_off")
    ]
    blocks: list[Block] = [Lines(signed or [words.say("report.not_signed")])]
    if case.is_changed:
        blocks.append(Lines([words.say("report.changed")]))
    blocks.append(Blanks([words.say("report.by_hand")]))
    return Part(words.say("report.signatures"), blocks)


def _report_files(case: ShownCase, computed: Sequence[dict[str, Any]], words: PaperWords) -> Part:
    plan = {} if case.outside else case.itself.parts("plan")
    taken_up = case.itself.parts("step_protocol") or parts_of(plan.get("protocol"))
    found = [*rows_in(parts_of(plan.get("answer")).get("rule_files")), taken_up, *computed]
    rows = [
        [text_in(one, "name"), count_text(one, "version"), text_in(one, "sha256")[:_HASH_SHOWN]]
        for one in found
        if text_in(one, "name")
    ]
    once_each = [list(row) for row in dict.fromkeys(tuple(row) for row in rows)]
    heading = words.say("report.rule_files")
    if not once_each:
        return Part(heading, [Lines([words.say("report.no_rule_files")])])
    heads = ("name", "version", "hash")
    return Part(heading, [Table([words.say(f"common.{head}") for head in heads], once_each, [1])])
