"""Which records of the network follow from the cases of a unit. Pure. Rules RG3-RG8.

With the unit's own names and days: a unit reads its own outcomes from these. What leaves it goes
through `disguise` first.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.rule_book import RuleBook
from api.documents.shown_case import ShownRecord
from api.linkage.encoded_traits import encode_person
from api.linkage.national_numbers import WrongNumberError, check_national_number
from api.linkage.person_traits import Person
from api.linkage.sent_traits import write_traits
from api.outcomes.registry_rows import DEATHS
from api.record_catalogue.catalogue import Catalogue
from api.registry.case_course import tell_events, tell_looks
from api.registry.case_mix import Found, Named, tell_choices, tell_scores, tell_targets
from api.registry.case_treatment import find_treated_on, tell_end, tell_treatment
from api.registry.case_watch import (
    count_windows,
    find_alive_days,
    find_asked_on,
    find_seen_on,
    find_window_days,
)
from api.registry.past_answers import find_unsaid
from api.registry.told_case import RegistryRecord, ToldCase
from api.registry.told_lots import find_personal_signs
from api.registry.used_devices import tell_devices

# Unit setting (project default): above this a number is a slip of the pen, and is told as a doubt.
MOST: Mapping[str, int] = {
    "short_axis_um": 150_000,
    "adhesive_pure_ul": 50_000,
    "coils_planned": 99,
    "coils_placed": 99,
    "count": 99,
    "targets": 20,
    "windows_due": 500,
}
SEXES = ("female", "male")
_YEAR = len("2026")


def derive_registry_records(
    cases: Iterable[ToldCase],
    book: RuleBook,
    catalogue: Catalogue,
    *,
    grace_days: int = 0,
    planned_visits: frozenset[str] = frozenset(),
    delay_of: Callable[[str], int] = lambda _: 0,
) -> list[RegistryRecord]:
    """Return the records of all cases, sorted by kind and name.

    Parameters
    ----------
    cases : iterable of ToldCase
        Every case of the unit that was treated and is over.
    book : RuleBook
        Holds ``liver_scores`` and ``adverse_events``.
    catalogue : Catalogue
        Names the fields that there are and the words they take: nothing else is told.
    grace_days : int
        Of a visit's window (``follow_up/measures``).
    planned_visits : frozenset of str
        Visits of the follow-up plan that are further sessions of treatment.
    delay_of : callable
        By a case's record, how many days late it is told that a time is over (RG17).
    """
    treated = {one.record: (one, find_treated_on(one)) for one in cases}
    unsaid = find_unsaid(one for one, _ in treated.values())
    by_patient: dict[str, list[ToldCase]] = {}
    for one, _ in treated.values():
        if one.patient:
            by_patient.setdefault(one.patient, []).append(one)
    found = []
    for patient, of_patient in by_patient.items():
        last_on = max(treated[one.record][1] for one in of_patient)
        found.append(_tell_patient(patient, of_patient, last_on))
    for one, on in treated.values():
        others = [treated[other.record] for other in by_patient.get(one.patient, ())]
        # Of one day nobody can say which was the later one; one of no day may be later.
        after = [(other, day) for other, day in others if on and (day > on or not day)]
        later = sorted(after, key=lambda other: (other[1], other[0].record))
        found += _tell_case(
            one,
            on,
            later,
            book,
            grace_days=grace_days,
            planned_visits=planned_visits,
            delay=delay_of(one.record),
            unsaid=unsaid.get(one.record, []),
        )
    kept = [_keep_known(record, catalogue) for record in found]
    return sorted(kept, key=lambda one: (one.kind, one.name))


def encode_traits(patient: ShownRecord, country: str, key: bytes) -> dict[str, Any]:
    """Return the traits by which a patient is found again at another site (RG9).

    Parameters
    ----------
    country : str
        ISO 3166-1 alpha-2: whose national numbers the unit has said its patient numbers to be; ""
        for nobody's. Never guessed: a number that a hospital drew passes many a check by chance.
    key : bytes
        The network's, which the hub never holds.
    """
    try:
        national = check_national_number(country, patient.text("local_id")) if country else ""
    except WrongNumberError:
        national = ""
    born_on, sex = patient.text("born_on"), patient.text("sex")
    coded = encode_person(
        Person(
            id="",
            family_name=patient.text("family_name"),
            given_name=patient.text("given_name"),
            born_on=born_on if is_civil_date(born_on) else "",
            # As it stands there it would leave in clear.
            sex=sex if sex in SEXES else "",
            national=national,
        ),
        key,
    )
    return write_traits(coded)


def _tell_patient(patient: str, cases: list[ToldCase], last_treated_on: str) -> RegistryRecord:
    shown = next((one.shown.patient for one in cases if one.shown.patient), None)
    fields: dict[str, Any] = {}
    doubts: list[str] = []
    if shown is not None:
        born_on = shown.text("born_on")
        if is_civil_date(born_on):
            fields["birth_year"] = int(born_on[:_YEAR])
        if shown.text("sex"):
            fields["sex"] = shown.text("sex")
        named = (("born_on", "birth_year"), ("sex", "sex"))
        doubts += [told for name, told in named if name in shown.conflicts]
    died = sorted({one.died_on for one in cases} - {""})
    alive_on = max({day for one in cases for day in find_alive_days(one)}, default="")
    # Nobody dies twice, nor is treated or seen after a death.
    is_contradicted = any(one.has_two_deaths for one in cases) or (
        died != [] and (len(died) > 1 or died[0] < max(last_treated_on, alive_on))
    )
    if is_contradicted:
        doubts += ["died_on", DEATHS]
    elif died:
        fields["died_on"] = died[0]
    elif any(one.is_death_in_doubt for one in cases):
        doubts.append("died_on")
    return RegistryRecord(
        kind="registry_patient",
        name=patient,
        subject=patient,
        fields={**fields, "doubts": doubts},
    )


def _tell_case(
    told: ToldCase,
    treated_on: str,
    later: list[tuple[ToldCase, str]],
    book: RuleBook,
    *,
    grace_days: int,
    planned_visits: frozenset[str],
    delay: int,
    unsaid: list[str],
) -> list[RegistryRecord]:
    looks, events = tell_looks(told), tell_events(told, later, planned_visits, book)
    after = [_judge_day(one, treated_on, told.shown.on) for one in (*looks, *events)]
    looks, events = after[: len(looks)], after[len(looks) :]
    parts: list[Found] = [
        tell_choices(told.shown.itself),
        tell_scores(told.shown, treated_on, book),
        tell_targets(told.shown),
        tell_treatment(told),
        tell_end(told),
        count_windows(told, grace_days, delay),
    ]
    fields: dict[str, Any] = {"patient": told.patient} if told.patient else {}
    doubts = ["patient"] if "patient" in told.shown.itself.conflicts else []
    if treated_on:
        dated = [one for _, one, _ in after]
        own = [told, *(other for other, day in later if day)]
        fields |= {
            "treated_on": treated_on,
            "seen_on": find_seen_on(own, treated_on, dated),
            "asked_on": find_asked_on(own, treated_on, dated),
            "window_days": find_window_days(treated_on, told.shown.on, delay),
        }
    else:
        doubts.append("treated_on")
    for some, in_doubt in parts:
        fields |= some
        doubts += in_doubt
    # A look or event of which nobody can say to which case it belongs.
    torn = (("visit_result", "looks"), ("complication", "events"))
    doubts += [name for kind, name in torn if kind in told.torn]
    doubts += unsaid
    found = [_record("registry_case", told, told.record, fields, doubts)]
    signs = find_personal_signs(told.identity, treated_on)
    for kind, named in (
        ("registry_look", looks),
        ("registry_event", events),
        ("registry_implant", tell_devices(told.shown, signs)),
    ):
        for name, some, in_doubt in named:
            of_case = {"case": told.record, **some}
            whose = f"{told.record} {name}"
            lacks_doubts = kind == "registry_implant"
            found.append(_record(kind, told, whose, of_case, None if lacks_doubts else in_doubt))
    return found


def _record(
    kind: str, told: ToldCase, name: str, fields: dict[str, Any], doubts: list[str] | None
) -> RegistryRecord:
    listed = {} if doubts is None else {"doubts": doubts}
    return RegistryRecord(kind=kind, name=name, subject=told.subject, fields={**fields, **listed})


def _judge_day(one: Named, treated_on: str, today: str) -> Named:
    """Take out a day that lies before the treatment or after today: it is a slip of the pen."""
    name, fields, doubts = one
    for field in ("looked_on", "happened_on"):
        on = fields.get(field)
        if on is not None and not treated_on <= on <= today:
            fields = {key: value for key, value in fields.items() if key != field}
            doubts = [*doubts, field]
    return name, fields, doubts


def _keep_known(record: RegistryRecord, catalogue: Catalogue) -> RegistryRecord:
    """Leave out what the catalogue does not name, and tell it as a doubt (RG8)."""
    known = {field.id: field for field in catalogue.kinds[record.kind].fields}
    fields, doubts = {}, list(record.fields.get("doubts", ()))  # type: ignore[call-overload]
    for name, value in record.fields.items():
        if name == "doubts" or value is None:
            continue
        described = known.get(name)
        is_word = described is not None and (not described.values or value in described.values)
        is_slip = isinstance(value, int) and value > MOST.get(name, value)
        if is_word and not is_slip:
            fields[name] = value
        elif described is not None:
            doubts.append(name)
    listed = {"doubts": sorted(set(doubts))} if "doubts" in known else {}
    return RegistryRecord(
        kind=record.kind, name=record.name, subject=record.subject, fields={**fields, **listed}
    )
