"""What stands at the head and foot of papers: from whom, about whom, whether a draft. Pure.

Twin of `state/papers/paper-head.ts`.
"""

from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, lines_in


def sender_of(case: ShownCase) -> list[str]:
    """Return name and address of the unit, line by line."""
    return [line for line in [case.unit_name, *lines_in(case.unit_address)] if line]


def name_of_patient(case: ShownCase, words: PaperWords) -> str:
    """Return the name of the patient; that nobody confirmed the identity stands by it."""
    name = case.patient_name() or words.say("common.no_name")
    is_open = case.patient is not None and "identity" in case.patient.conflicts
    if is_open or case.patient_text("identity") == "to-be-confirmed":
        return words.say("common.unconfirmed", name=name)
    return name


def head_of(case: ShownCase, words: PaperWords) -> list[tuple[str, str]]:
    """Return who the paper is about, and of which day."""
    born_on = words.day(case.patient_text("born_on"))
    sex = words.value("sex", case.patient_text("sex"))
    return [
        (words.say("common.patient"), name_of_patient(case, words)),
        (words.say("common.born"), ", ".join(one for one in (born_on, sex) if one)),
        (words.say("common.number"), case.patient_text("local_id")),
        (words.say("common.procedure_on"), words.day(case.day())),
        (words.say("common.case"), case.itself.record.removeprefix("case/")),
    ]


def foot_of(case: ShownCase, words: PaperWords) -> list[str]:
    """Return what stands at the foot: whom it is about, when it was printed, and the honest line.

    A page that is torn off still says whom it is about, and whether it is a draft (UX-19).
    """
    about = [name_of_patient(case, words), case.patient_text("local_id")]
    return [
        *draft_of(words),
        " · ".join(
            one for one in (*about, words.say("common.printed", day=words.day(case.on))) if one
        ),
        words.say("common.honest"),
    ]


def draft_of(words: PaperWords) -> list[str]:
    """Return the line of a paper in words that nobody has reviewed, none for others (UX-19)."""
    return [words.say("common.draft")] if words.standing == "draft" else []
