"""The treated cases of a unit as rows of outcomes: with true days, and without any hub."""

from weakref import WeakKeyDictionary

from api.outcomes.definitions import packaged_definitions
from api.outcomes.episode_rows import EpisodeRow, make_episode_rows
from api.outcomes.registry_rows import (
    CaseRow,
    PartRow,
    PatientRow,
    read_case,
    read_event,
    read_look,
    read_patient,
)
from api.record_catalogue.catalogue import REGISTRY
from api.storage.unit_store import UnitStore
from api.use_cases.read_registry_cases import read_registry_records

# The unit itself, where it reads its own cases.
OWN = "own"
# What the rows rest on, and the rows: a desk asks often and the log moves seldom.
_kept: WeakKeyDictionary[UnitStore, tuple[object, list[EpisodeRow]]] = WeakKeyDictionary()


def read_own_rows(store: UnitStore, *, on: str, time_zone: str) -> list[EpisodeRow]:
    """Return a row for each treated case of this unit; made anew when anything was written.

    Raises
    ------
    CalculationError
        A rule file that the cases are told by is not in force.
    """
    streams = sorted({kind.stream for kind in store.catalogue.kinds.values()} - {REGISTRY})
    with store.reading():
        rests_on = (on, time_zone, store.operations.heads(streams))
    held = _kept.get(store)
    if held is None or held[0] != rests_on:
        # What is written meanwhile is told next time: the heads were read before.
        held = (rests_on, _make_rows(store, on=on, time_zone=time_zone))
        _kept[store] = held
    return held[1]


def _make_rows(store: UnitStore, *, on: str, time_zone: str) -> list[EpisodeRow]:
    patients: dict[str, PatientRow] = {}
    cases: dict[str, list[CaseRow]] = {}
    parts: dict[str, list[PartRow]] = {}
    for one in read_registry_records(store, on=on, time_zone=time_zone):
        if one.kind == "registry_patient":
            patients[one.name] = read_patient(one.name, OWN, one.fields)
        elif one.kind == "registry_case":
            case = read_case(one.name, OWN, one.fields)
            if case is not None:
                cases.setdefault(case.patient, []).append(case)
        elif one.kind in ("registry_look", "registry_event"):
            read = read_look if one.kind == "registry_look" else read_event
            part = read(one.name, OWN, one.fields)
            if part is not None:
                parts.setdefault(part.of_case, []).append(part)
    return [
        row
        for patient, some in cases.items()
        for row in make_episode_rows(
            patients.get(patient),
            some,
            [part for case in some for part in parts.get(case.record, ())],
            packaged_definitions(),
        )
    ]
