"""The leaflet that a patient takes home: what was done, warning signs, whom to call. Pure.

Reading grade 6 at most (UX-19). Twin of `state/papers/patient-leaflet.ts`.
"""

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.session_places import PHONE, needed_equipment
from api.documents.case_given import count_given
from api.documents.paper import Blanks, Block, Lines, Paper, Part, Points
from api.documents.paper_head import draft_of, name_of_patient, sender_of
from api.documents.paper_words import PaperWords, fill
from api.documents.shown_case import ShownCase, text_in

# IGV2 may lie in the first part of the duodenum (Sarin 1992, Hepatology 16:1343-9).
_GASTRIC = ("GOV1", "GOV2", "GOV1+GOV2", "IGV1")
_TO_COME = ("planned", "to-book", "booked", "no-show", "cancelled")


def write_leaflet(case: ShownCase, words: PaperWords) -> Paper:
    """Return the leaflet; a part that the case has nothing for is left out.

    Where no treatment is recorded it says that alone. The stomach is named for its varices alone.
    That two answers wait in the record is said first, without what they are about.

    Notes
    -----
    The warning signs are common practice, no source.
    """
    given = count_given(case)
    is_treated = given.punctures + given.coils + given.injections > 0
    is_gastric = case.itself.text("varix_class") in _GASTRIC
    is_so = {
        "always": True,
        "stomach": is_gastric,
        "veins": not is_gastric,
        "coils": given.coils > 0,
        "adhesive": given.injections > 0,
        "implants": given.coils + given.injections > 0,
    }
    put = {
        "day": words.day(case.day()) or words.say("leaflet.this_day"),
        "coils": given.coils,
        "phone": case.unit_phone,
        "unit": case.unit_name,
    }
    parts = [Part("", [Lines([words.say("leaflet.doubt")])])] if case.doubts() else []
    if not is_treated:
        parts.append(Part("", [Lines([words.say("leaflet.untreated")])]))
    for one in words.leaflet if is_treated else ():
        if one["when"] == "call":
            parts.append(_tell_whom_to_call(case, words))
            continue
        if not is_so[one["when"]]:
            continue
        blocks: list[Block] = []
        if one["lines"]:
            blocks.append(Lines([fill(line, put) for line in one["lines"]]))
        if one["points"]:
            blocks.append(Points([fill(line, put) for line in one["points"]]))
        parts.append(Part(fill(one["heading"], put), blocks))
    if is_treated:
        parts.append(_tell_visits(case, words))
    return Paper(
        paper="patient-leaflet",
        language=words.language,
        is_draft=words.standing == "draft",
        title=words.say("leaflet.title"),
        sender=sender_of(case),
        recipient=None,
        dated=words.day(case.on),
        head=[
            (words.say("leaflet.name"), name_of_patient(case, words)),
            (words.say("common.number"), case.patient_text("local_id")),
        ],
        parts=parts,
        faces=[],
        foot=[*draft_of(words), words.say("leaflet.foot")],
    )


def _tell_visits(case: ShownCase, words: PaperWords) -> Part:
    """Return the days to come: the day booked, else from when to when it is planned."""
    lines = []
    for visit in case.visits:
        window, status = visit.parts("window"), visit.text("status")
        booked = text_in(visit.parts("booking"), "on") if status == "booked" else ""
        first, last = text_in(window, "earliest_on"), text_in(window, "latest_on")
        if status not in _TO_COME or max(booked, last) < case.on:
            continue
        # Nobody is asked to come for a call.
        call = "call_" if needed_equipment(visit.text("label")) == PHONE else ""
        if is_civil_date(booked):
            lines.append((booked, words.say(f"leaflet.{call}booked", day=words.day(booked))))
        elif is_civil_date(first) and is_civil_date(last):
            put = {"first": words.day(first), "last": words.day(last)}
            lines.append((first, words.say(f"leaflet.{call}window", **put)))
    said = [text for _, text in sorted(lines, key=lambda one: one[0])]
    block: Block = Points(said) if said else Lines([words.say("leaflet.no_visits")])
    return Part(words.say("leaflet.visits"), [block])


def _tell_whom_to_call(case: ShownCase, words: PaperWords) -> Part:
    heading = words.say("leaflet.whom_to_call")
    if case.unit_phone:
        return Part(heading, [Lines([words.say("leaflet.call", phone=case.unit_phone)])])
    return Part(heading, [Blanks([words.say("leaflet.phone")])])
