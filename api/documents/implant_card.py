"""The implant card: one card for each implant kind and lot, to be cut out and carried. Pure.

Regulation (EU) 2017/745, Article 18 (1) (a) to (d); layout of the fields after MDCG 2019-8.
What the device's own instructions say and nobody entered is not made up: the card says where to
ask. What the maker says is printed as the unit entered it, in the maker's words.
Twin of `state/papers/implant-card.ts`.
"""

import re
from typing import Any

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.label_carrier import find_carrier
from api.documents.case_given import device_of, name_device, say_expiry, say_lot, stock_of
from api.documents.paper import Face, Paper
from api.documents.paper_head import draft_of, foot_of, name_of_patient, sender_of
from api.documents.paper_words import PaperWords
from api.documents.shown_case import ShownCase, ShownRecord, once, parts_of, text_in, texts_in

# What both engines part words by.
_WHITE = re.compile(r"[ \n]+")
_LONG = ("warnings", "safe_use")
# IGV2 may lie in the first part of the duodenum (Sarin 1992, Hepatology 16:1343-9).
_PLACES = {
    **dict.fromkeys(("GOV1", "GOV2", "GOV1+GOV2", "IGV1"), "stomach"),
    "oesophageal": "gullet",
    **dict.fromkeys(("duodenal", "rectal"), "bowel"),
}
_TO_COME = ("planned", "to-book", "booked")


class Implant(msgspec.Struct, frozen=True, kw_only=True):
    """One implant kind and lot with how many of it were placed."""

    name: str
    stock: str
    device: dict[str, Any]
    count: int


def write_implant_card(case: ShownCase, words: PaperWords) -> Paper:
    """Return the card: three faces a kind and lot of coil; adhesive is named on a face of its own.

    Warnings and safe use in the maker's words stand on a fourth face, where they were entered.

    Notes
    -----
    Whether a tissue adhesive counts as an implant is for the unit to confirm; the card says so.
    """
    faces = [face for one in list_implants(case, words) for face in _faces(case, one, words)]
    adhesives = sorted(
        {
            words.say(
                "card.adhesive",
                name=name_device(case, one, words),
                lot=say_lot(device_of(case, one), words),
            )
            for one in case.of_kind("adhesive_injected")
        }
    )
    if adhesives:
        lines = [*adhesives, words.say("card.adhesive_note"), *draft_of(words)]
        faces.append(Face(words.say("card.also_given"), [], lines, "", ""))
    if not faces:
        lines = [words.say("card.no_implant"), *draft_of(words)]
        faces = [Face(words.say("card.title"), [], lines, "", "")]
    return Paper(
        paper="implant-card",
        language=words.language,
        is_draft=words.standing == "draft",
        title=words.say("card.title"),
        sender=sender_of(case),
        recipient=None,
        dated=words.day(case.on),
        head=[],
        parts=[],
        faces=faces,
        foot=foot_of(case, words),
    )


def list_implants(case: ShownCase, words: PaperWords) -> list[Implant]:
    """Return every kind, lot and serial of coil once, in the order of placement."""
    found: dict[tuple[str, ...], Implant] = {}
    for one in case.of_kind("coil_placed"):
        device = device_of(case, one)
        names = ("identifier", "serial", "expires_on")
        # A lot said to be unknown is another than one that nobody entered.
        key = (
            name_device(case, one, words),
            say_lot(device, words),
            *(text_in(device, name) for name in names),
        )
        count = found[key].count + 1 if key in found else 1
        if key in found and not text_in(device, "raw_label"):
            # Of one that was scanned and one that was typed the scan tells the whole label.
            device = found[key].device
        found[key] = Implant(name=key[0], stock=stock_of(case, one), device=device, count=count)
    return list(found.values())


def identifier_of(implant: Implant, stocked: ShownRecord | None) -> str:
    """Return the device identifier: of the label, else of the stock item that has only one.

    "" where two answers wait.
    """
    if implant.device.get("in_doubt") is True:
        return ""
    own = text_in(implant.device, "identifier")
    known = texts_in(stocked.shows.get("identifiers")) if stocked else []
    return own or (known[0] if len(known) == 1 else "")


def is_called_safe(mr: dict[str, Any]) -> bool:
    """Say whether a coil, which is of metal, was called MR safe: that is never printed."""
    return text_in(mr, "condition") == "mr-safe" or _says_safe(text_in(mr, "statement"))


def _says_safe(text: str) -> bool:
    bare = text.lower().replace("-", " ").replace("not mr safe", "").replace("mr unsafe", "")
    return "mr safe" in bare


def _faces(case: ShownCase, implant: Implant, words: PaperWords) -> list[Face]:
    stocked = case.stocked(implant.stock)
    maker = stocked.parts("maker") if stocked else {}
    identifier = identifier_of(implant, stocked)
    carrier = find_carrier(implant.device, identifier)
    none = words.say("card.not_recorded")
    in_doubt = implant.device.get("in_doubt") is True
    doubt = words.say("common.two_answers") if in_doubt else ""
    pairs = {
        "patient": " ".join(
            one for one in (name_of_patient(case, words), case.patient_text("local_id")) if one
        ),
        "date": words.day(case.day()),
        "institution": ", ".join(sender_of(case)),
        "phone": case.unit_phone,
        "device": words.say("card.counted", name=implant.name, count=implant.count),
        "model": stocked.text("model") if stocked else "",
        "lot": say_lot(implant.device, words),
        "serial": text_in(implant.device, "serial") or doubt,
        "use_by": say_expiry(implant.device, words),
        "udi": carrier.readable or identifier or doubt,
        "maker": text_in(maker, "name"),
        "maker_address": text_in(maker, "address").replace("\n", ", "),
        "website": text_in(maker, "website"),
    }
    said = [(words.say(f"card.{name}"), text or none) for name, text in pairs.items()]
    # The name of the patient stays on the card: a code is read by any passer-by.
    coded = [name for name, text in pairs.items() if text and name != "patient"]
    qr = "\n".join(f"{words.say(f'card.{name}')}: {pairs[name]}" for name in coded)
    front, back = said[:4], said[4:]
    lacking = words.say("card.label_in_doubt" if in_doubt else "card.no_identifier")
    codes = [] if carrier.code else [lacking]
    own_words = [
        line for line, is_own in (_tell_maker(stocked, field, words) for field in _LONG) if is_own
    ]
    of_maker = [Face(words.say("card.maker_title"), [], own_words, "", "")] if own_words else []
    return [
        Face(words.say("card.title"), front, draft_of(words), qr, ""),
        Face(words.say("card.device_title"), back, codes, "", carrier.code),
        Face(words.say("card.know"), [], _know(case, stocked, words), "", ""),
        *of_maker,
    ]


def _day_of(visit: ShownRecord) -> str:
    """Return the day of a visit to come: the day booked, else the one planned; "" in doubt."""
    status = visit.text("status")
    if status not in _TO_COME or "booking" in visit.conflicts:
        return ""
    booked = text_in(visit.parts("booking"), "on") if status == "booked" else ""
    return booked or text_in(visit.parts("window"), "target_on")


def _tell_next(case: ShownCase, words: PaperWords) -> str:
    """Return the next contact: its day, whether it is booked, and its kind, a call for one."""
    days = [(day, visit) for visit in case.visits if is_civil_date(day := _day_of(visit))]
    next_on = min((day for day, _ in days if day >= case.on), default="")
    if not next_on:
        return words.say("card.ask_next")
    of_day = [visit for day, visit in days if day == next_on]
    kinds = once(words.value("contact", visit.text("label")) for visit in of_day)
    what = ", ".join(kinds) or words.say("card.kind_unknown")
    is_booked = all(visit.text("status") == "booked" for visit in of_day)
    key = "card.next_booked" if is_booked else "card.next"
    return words.say(key, day=words.day(next_on), what=what)


def _know(case: ShownCase, stocked: ShownRecord | None, words: PaperWords) -> list[str]:
    """Return magnetic resonance, lifetime, follow-up, and where to ask (Article 18 (1) (b)-(d))."""
    mr = parts_of(stocked.shows.get("mr")) if stocked else {}
    statement = text_in(mr, "statement").strip()
    in_doubt = stocked is not None and "mr" in stocked.conflicts
    condition = words.value("mr", text_in(mr, "condition")) if statement else ""
    if is_called_safe(mr):
        scan = words.say("card.mr_doubt")
    elif statement and not in_doubt:
        scan = words.say("card.mr", condition=condition, statement=statement)
    else:
        scan = words.say("card.mr_unknown")
    place = _PLACES.get(case.itself.text("varix_class"), "gut")
    lifetime, _ = _tell_maker(stocked, "expected_lifetime", words)
    told = [_tell_maker(stocked, field, words) for field in _LONG]
    return [
        words.say("card.show"),
        scan,
        words.say(f"card.shift_{place}"),
        lifetime,
        _tell_next(case, words),
        *(line for line, is_own in told if not is_own),
    ]


def _tell_maker(stocked: ShownRecord | None, field: str, words: PaperWords) -> tuple[str, bool]:
    """Return what the maker says of one thing, and whether it is told in the maker's words.

    What calls a coil MR safe is not repeated (`is_called_safe`).
    """
    what = words.say(f"card.{field}")
    text = " ".join(one for one in _WHITE.split(stocked.text(field)) if one) if stocked else ""
    if stocked is not None and field in stocked.conflicts:
        return words.say("card.maker_in_doubt", what=what), False
    if _says_safe(text):
        return words.say("card.maker_not_repeated", what=what), False
    if not text:
        return words.say(f"card.{field}_unknown"), False
    return words.say("card.maker_says", what=what, text=text), True
