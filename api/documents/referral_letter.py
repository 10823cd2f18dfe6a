"""The letter to who referred a patient: done, implanted, held, what follows, whom to call. Pure.

Twin of `state/papers/referral-letter.ts`.
"""

from api.documents.case_findings import say_drugs
from api.documents.case_given import count_given, say_mix, say_pure, table_implants, table_visits
from api.documents.paper import Blanks, Block, Lines, Paper, Part
from api.documents.paper_head import foot_of, head_of, sender_of
from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, lines_in, once, text_in


def write_referral_letter(case: ShownCase, words: PaperWords) -> Paper:
    """Return the letter; with lines to fill by hand where no referrer is recorded."""
    patient = case.patient
    referrer = patient.parts("referred_by") if patient else {}
    name, address = text_in(referrer, "name"), text_in(referrer, "address")
    recipient = [*lines_in(name), *lines_in(address)]
    return Paper(
        paper="referral-letter",
        language=words.language,
        is_draft=words.standing == "draft",
        title=words.say("letter.title"),
        sender=sender_of(case),
        recipient=recipient,
        dated=words.day(case.on),
        head=head_of(case, words)[:4],
        parts=[
            Part("", [Lines([words.say("letter.greeting"), _say_done(case, words)])]),
            *_tell_doubts(case, words),
            _tell_implants(case, words),
            _tell_drugs(case, words),
            _tell_visits(case, words),
            _tell_whom_to_call(case, words),
            Part(
                "",
                [Lines([words.say("letter.closing")]), Blanks([words.say("report.by_hand")])],
            ),
        ],
        faces=[],
        foot=foot_of(case, words),
    )


def _tell_doubts(case: ShownCase, words: PaperWords) -> list[Part]:
    fields = once(field.replace("_", " ") for _, field in case.doubts())
    if not fields:
        return []
    return [Part("", [Lines([words.say("letter.two_answers", fields=", ".join(fields))])])]


def _say_done(case: ShownCase, words: PaperWords) -> str:
    given = count_given(case)
    indication = words.value("indication", case.itself.text("indication"))
    none = words.say("report.not_entered")
    day = words.day(case.day()) or none
    name = case.patient_name() or words.say("common.no_name")
    if given.punctures + given.coils + given.injections == 0:
        return words.say("letter.nothing_given", name=name, day=day)
    return words.say(
        "letter.done" if given.injections else "letter.done_without_adhesive",
        name=name,
        day=day,
        indication=indication or none,
        coils=given.coils,
        pure=say_pure(given, words),
        mix=say_mix(given, words),
    )


def _tell_implants(case: ShownCase, words: PaperWords) -> Part:
    table = table_implants(case, words)
    block: Block = table if table.rows else Lines([words.say("letter.no_implants")])
    return Part(words.say("letter.implants"), [block])


def _tell_drugs(case: ShownCase, words: PaperWords) -> Part:
    drugs = say_drugs(case, words)
    beta = case.itself.shows.get("on_beta_blocker")
    lines = [words.say("letter.drugs", drugs=drugs or words.say("report.not_entered"))]
    if isinstance(beta, bool):
        lines.append(words.say("letter.on_beta_blocker" if beta else "letter.no_beta_blocker"))
    lines.append(words.say("letter.restart"))
    return Part(words.say("letter.drugs_title"), [Lines(lines)])


def _tell_visits(case: ShownCase, words: PaperWords) -> Part:
    table = table_visits(case, words)
    block: Block = table if table.rows else Lines([words.say("report.no_visits")])
    return Part(words.say("letter.visits"), [block])


def _tell_whom_to_call(case: ShownCase, words: PaperWords) -> Part:
    heading = words.say("letter.whom_to_call")
    signs = Lines([words.say("letter.signs")])
    if case.unit_phone:
        call = words.say("letter.call", unit=case.unit_name, phone=case.unit_phone)
        return Part(heading, [Lines([call]), signs])
    return Part(heading, [Blanks([words.say("letter.phone")]), signs])
