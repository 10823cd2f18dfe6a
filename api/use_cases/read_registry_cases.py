"""Read the cases of a unit that were treated and are over, as its outcomes are counted by."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.clinic_facts import VisitFacts
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.follow_up_measures import MEASURES, MeasureRow
from api.clinical_rules.follow_up_rows import NOT_PLANS, VisitRow
from api.clinical_rules.rule_book import RuleBook
from api.documents.shown_case import ShownCase, ShownRecord
from api.record_catalogue.double_entries import COIL, find_double_entries, rounds_wanted
from api.registry.case_treatment import ACTS, find_treated_on
from api.registry.registry_records import derive_registry_records
from api.registry.told_case import RegistryRecord, ToldCase
from api.registry.told_lots import Identity
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError
from api.use_cases.follow_up_record import read_follow_up, texts_of
from api.use_cases.read_clinic import read_clinic
from api.use_cases.record_values import text_of
from api.use_cases.show_case import UNDER_CASE, show_record
from api.use_cases.unit_settings import open_unit_book
from sync.merge import RecordState

_LEFT_OUT = ("picture", "flush")
_OVER = {"closing", "closed"}
_IMPORTED = "imported_in"
_SESSION = "treatment"
_DIED = "died"


@dataclass
class _Under:
    """What lies under one case."""

    records: list[RecordState] = field(default_factory=list)
    torn: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class _Death:
    """On which day somebody died, and whether that is a doubt: no clinician or no day tells it.

    Or several days do: then none is told.
    """

    on: str
    is_doubt: bool
    is_told_twice: bool = False


def read_registry_records(
    store: UnitStore,
    *,
    on: str,
    time_zone: str = "UTC",
    delay_of: Callable[[str], int] = lambda _: 0,
) -> list[RegistryRecord]:
    """Return what the cases of this unit tell, with its own names and days.

    Parameters
    ----------
    on : str
        Civil date of today.
    time_zone : str
        The zone that holds where the site's record names none.
    delay_of : callable
        By a case's record, how many days late others are told that a time is over (RG17).

    Raises
    ------
    CalculationError
        A rule file that it takes is not in force; the sentence names it.
    """
    try:
        book = open_unit_book(store, on=on)
        measures = book.rule_file_or_listed(MEASURES, MeasureRow)
        cases = read_registry_cases(store, on=on, time_zone=time_zone)
        return derive_registry_records(
            cases,
            book,
            store.catalogue,
            grace_days=sum(
                row.days for row in measures.rows if row.measure == "seen_within_window"
            ),
            planned_visits=_name_sessions(book),
            delay_of=delay_of,
        )
    except RuleFileError as error:
        raise CalculationError(str(error)) from error


def read_registry_cases(store: UnitStore, *, on: str, time_zone: str = "UTC") -> list[ToldCase]:
    """Return every case with an act on record, once it is over, by record.

    Each kind is read by itself, so that a push waits for none of them long: what
    came in between is told with the next round.

    Raises
    ------
    RuleFileError
        The limits of the course, or a plan, cannot be read.
    """
    clinic = read_clinic(store, time_zone=time_zone)
    cases = _read(store, "case")
    deaths = _read_deaths(store, on, cases)
    patients = {one.record: one for one in _read(store, "patient")}
    under = _read_under(store)
    doubles = _find_doubles(store, under)
    visits = _read(store, "visit")
    facts: dict[str, list[VisitFacts]] = {}
    for one in clinic.visits:
        facts.setdefault(one.case, []).append(one)
    shown_visits: dict[str, list[ShownRecord]] = {}
    for state in visits:
        shown = show_record(state)
        shown_visits.setdefault(shown.text("case"), []).append(shown)
    found = []
    for state in cases:
        held = under.get(state.record, _Under())
        itself = show_record(state)
        patient = patients.get(itself.text("patient"))
        death = deaths.get(itself.text("patient") or state.record)
        told = ToldCase(
            shown=ShownCase(
                on=on,
                zone=clinic.time_zone,
                itself=itself,
                patient=show_record(patient) if patient else None,
                records=[show_record(one) for one in held.records],
                visits=shown_visits.get(state.record, []),
                staff=[],
                stock=[],
                unit_name="",
                unit_address="",
                unit_phone="",
                outside=[],
                is_changed=False,
                changed=[],
                lay_out=[],
            ),
            visits=facts.get(state.record, []),
            torn=frozenset(held.torn),
            coils_in_doubt=(state.record, True) in doubles,
            injections_in_doubt=(state.record, False) in doubles,
            died_on=death.on if death else "",
            is_death_in_doubt=death is not None and death.is_doubt,
            has_two_deaths=death is not None and death.is_told_twice,
            identity=_identify(state, patients),
        )
        if _is_told(told):
            found.append(told)
    return found


def _identify(case: RecordState, patients: Mapping[str, RecordState]) -> Identity:
    """Return who the patient of a case may be: of two answers both, for neither may leave."""
    named = [patients[one] for one in texts_of(case, "patient") if one in patients]
    numbers = [text for one in named for text in texts_of(one, "local_id")]
    names = [
        text
        for one in named
        for name in ("family_name", "given_name")
        for text in texts_of(one, name)
    ]
    born = [text for one in named for text in texts_of(one, "born_on")]
    return Identity(tuple(numbers), tuple(names), (*born, *texts_of(case, "procedure_on")))


def _is_told(told: ToldCase) -> bool:
    """Say whether a case was treated and is over; while it lies on the table nothing is told."""
    shown = told.shown
    is_closed = shown.itself.text("stage") in _OVER
    if not any(one.kind in ACTS for one in shown.records):
        # Earlier cases are taken over without a single act of theirs.
        return is_closed and shown.itself.text(_IMPORTED) != ""
    treated_on = find_treated_on(told)
    return is_closed or (treated_on != "" and treated_on < shown.on)


def _read_under(store: UnitStore) -> dict[str, _Under]:
    """Return what lies under each case, oldest first; what names two lies under neither."""
    found: dict[str, _Under] = {}
    for kind in UNDER_CASE:
        if kind in _LEFT_OUT:
            continue
        for state in _read(store, kind):
            named = dict.fromkeys(texts_of(state, "case"))
            for case in named:
                under = found.setdefault(case, _Under())
                if len(named) == 1:
                    under.records.append(state)
                else:
                    under.torn.add(kind)
    for under in found.values():
        under.records.sort(key=lambda one: (_first_stamp(one), one.record))
    return found


def _find_doubles(store: UnitStore, under: Mapping[str, _Under]) -> set[tuple[str, bool]]:
    """Return the cases with a possible double entry that nobody has decided, and if of coils."""
    whose = {state.record: case for case, one in under.items() for state in one.records}
    with store.reading():
        states = [
            state for kind in (COIL, "adhesive_injected") for state in store.views.of_kind(kind)
        ]
        rounds = {
            record: state
            for record in rounds_wanted(states)
            if (state := store.views.state_of(record)) is not None
        }
        decisions = store.views.of_kind("decision")
    pairs = find_double_entries(states, rounds, decisions)
    return {
        (whose[record], record.startswith(f"{COIL}/"))
        for pair in pairs
        for record in pair.records
        if record in whose
    }


def _read_deaths(store: UnitStore, on: str, cases: Iterable[RecordState]) -> dict[str, _Death]:
    """Return who died by a visit that ended so: by patient, where none is known by case (FG6).

    On the day given for it; without one it is a doubt, for the day on which somebody said so is
    none, and so it is where only the reason of a case for no follow-up tells of a death. What a
    file of earlier cases tells with its day counts as it stands, though the follow-up waits for a
    clinician (RG16). Of two days neither is told (RG3).
    """
    imported = {one.record for one in cases if text_of(one, _IMPORTED)}
    days_told, taken_over = {}, set()
    for state in _read(store, "visit"):
        day = text_of(state, "ended_on")
        if is_civil_date(day) and day <= on:
            days_told[state.record] = day
            if text_of(state, "case") in imported:
                taken_over.add(state.record)
    found: dict[str, _Death] = {}
    for patient in read_follow_up(store, on=on):
        ended = [one for one in patient.visits if one.ended_because == _DIED]
        if not ended and not any(_DIED in one.reason.casefold().split() for one in patient.cases):
            continue
        days = {
            days_told[one.record]
            for one in ended
            if one.record in days_told
            and not one.conflicts
            and (one.is_end_sound or (one.status == "ended" and one.record in taken_over))
        }
        death = _Death(
            next(iter(days)) if len(days) == 1 else "",
            is_doubt=len(days) != 1,
            is_told_twice=len(days) > 1,
        )
        for name in [patient.record] if patient.record else [one.record for one in patient.cases]:
            found[name] = death
    return found


def _name_sessions(book: RuleBook) -> frozenset[str]:
    """Return the visits of every plan that are further sessions of treatment."""
    return frozenset(
        row.visit
        for name in {*book.names("follow_up")} - {*NOT_PLANS}
        for row in book.rule_file_or_listed(name, VisitRow).rows
        if row.kind == _SESSION
    )


def _read(store: UnitStore, kind: str) -> list[RecordState]:
    with store.reading():
        return [one for one in store.views.of_kind(kind) if not one.is_entered_in_error]


def _first_stamp(state: RecordState) -> str:
    stamps = [held.stamp for one in state.fields.values() for held in one.values]
    return min(stamps, default="")
