"""Whose an implant is: each case and patient that it may be in, and what is odd about it."""

from collections.abc import Mapping
from typing import Any

import msgspec

from api.clinical_rules.implant_search import GROUPS, Finding, Group
from api.storage.implant_rows import CaseRow, ImplantRow, PatientRow
from api.storage.unit_store import UnitStore
from api.use_cases.record_values import text_of
from sync.merge import RecordState

# Where an implant belongs, and the reading that fits best.
Judged = tuple[Finding, ImplantRow]


class FoundImplant(msgspec.Struct, frozen=True, kw_only=True):
    """One implant or package in one case, "" for what is not known.

    Parameters
    ----------
    differs : tuple of str
        What of the search it differs in.
    fate : str
        Of a package: what became of it.
    on_day : str
        Civil date on which it was used, else that of the procedure.
    recorded_on : str
        Name of the device on which it was recorded.
    marks : tuple of str
        ``struck`` (entered in error), ``two-lots``, ``no-case``, ``case-struck``,
        ``case-not-here``, ``two-patients``, ``no-patient``, ``patient-struck``,
        ``patient-not-here``, and why follow-up ended: ``died``, ``transferred``.
    """

    group: Group
    differs: tuple[str, ...]
    record: str
    item: str
    what: str
    fate: str
    identifier: str
    lot: str
    serial: str
    expires_on: str
    stock: str
    on_day: str
    site: str
    recorded_on: str
    case: str
    patient: str
    number: str
    name: str
    born_on: str
    marks: tuple[str, ...]


def rank_of(finding: Finding) -> int:
    """Return the place of a find in the order of the groups, the best first."""
    return GROUPS.index(finding.group or "unknown")


class ImplantOwners:
    """Cases, patients, devices and sites around implants; states are read where two answers wait.

    A case or patient that was struck still bears the coil: its state says who it was.
    """

    def __init__(self, store: UnitStore) -> None:
        self._store = store
        sites = store.views.of_kind("site")
        names = [text_of(site, "name") for site in sites if not site.is_entered_in_error]
        self._site = " or ".join(dict.fromkeys(name for name in names if name))
        self._devices: dict[str, str] = {}

    def tell(
        self, judged: Mapping[str, Judged], readings: Mapping[str, list[ImplantRow]]
    ) -> list[FoundImplant]:
        """Return a row for each implant in each case and patient it may be in."""
        wanted = {row.of_case for record in judged for row in readings[record] if row.of_case}
        cases = self._store.implants.cases(wanted)
        owners = {case: self._owners(case, cases.get(case)) for case in wanted}
        named = {patient for found, _ in owners.values() for patient in found if patient}
        patients = self._store.implants.patients(named)
        told = {patient: self._tell_patient(patient, patients.get(patient)) for patient in named}
        told[""] = {}
        rows = []
        for record, (finding, best) in judged.items():
            lots = {row.lot for row in readings[record]}
            of_cases = dict.fromkeys(row.of_case or "" for row in readings[record])
            for case in of_cases:
                found, case_marks = owners.get(case, ([""], ("no-case",)))
                held = cases.get(case)
                for patient in found:
                    marks = (
                        *(("struck",) if best.is_struck else ()),
                        *(("two-lots",) if len(lots) > 1 else ()),
                        *case_marks,
                        *told[patient].get("marks", ()),
                    )
                    rows.append(self._row(finding, best, case, held, patient, told, marks))
        rows.sort(key=lambda one: (one.number, one.patient, one.record))
        rows.sort(key=lambda one: one.on_day, reverse=True)
        rows.sort(key=lambda one: GROUPS.index(one.group))
        return rows

    def _row(
        self,
        finding: Finding,
        best: ImplantRow,
        case: str,
        held: CaseRow | None,
        patient: str,
        told: Mapping[str, Mapping[str, Any]],
        marks: tuple[str, ...],
    ) -> FoundImplant:
        about = told[patient]
        return FoundImplant(
            group=finding.group or "unknown",
            differs=finding.differs,
            record=best.record,
            item=best.item or "",
            what=_say_what(best),
            fate=best.fate or "",
            identifier=best.identifier or "",
            lot=best.lot or "",
            serial=best.serial or "",
            expires_on=best.expires_on or "",
            stock=best.stock or "",
            on_day=best.on_day or (held.procedure_on if held else None) or "",
            site=self._site,
            recorded_on=self._name_device(best.written_on_device),
            case=case,
            patient=patient,
            number=about.get("number", ""),
            name=about.get("name", ""),
            born_on=about.get("born_on", ""),
            marks=marks,
        )

    def _owners(self, case: str, held: CaseRow | None) -> tuple[list[str], tuple[str, ...]]:
        """Return the patients of a case, "" where nobody is named, and what is odd about it."""
        if held is not None and held.patient is not None:
            return [held.patient], ()
        state = self._store.views.state_of(case)
        if state is None:
            return [""], ("case-not-here",)
        marks = ("case-struck",) if state.is_entered_in_error else ()
        patients = list(dict.fromkeys(self._said(case, state, "patient")))
        if len(patients) > 1:
            marks = (*marks, "two-patients")
        return (patients, marks) if patients else ([""], (*marks, "no-patient"))

    def _tell_patient(self, patient: str, held: PatientRow | None) -> dict[str, Any]:
        names = ("local_id", "family_name", "given_name", "born_on")
        texts = {name: getattr(held, name) or "" for name in names} if held else {}
        marks: list[str] = []
        state = None
        if held is None or not all(texts.values()):
            # Struck, not here, or two answers in one of them: each is told.
            state = self._store.views.state_of(patient)
        if state is not None:
            texts = {name: " or ".join(self._said(patient, state, name)) for name in names}
        if held is None:
            marks.append("patient-not-here" if state is None else "patient-struck")
        ended = (held.ended_because or "").split() if held else []
        marks += [reason for reason in ("died", "transferred") if reason in ended]
        parts = (texts.get("family_name", ""), texts.get("given_name", ""))
        return {
            "number": texts.get("local_id", ""),
            "name": ", ".join(part for part in parts if part),
            "born_on": texts.get("born_on", ""),
            "marks": tuple(marks),
        }

    def _said(self, record: str, state: RecordState, field: str) -> list[str]:
        """Return every text of a field; of a struck record what was said before it was struck."""
        if state.is_entered_in_error:
            state = self._store.views.state_before_strike(record) or state
        held = state.fields.get(field)
        return [one.value for one in held.values if isinstance(one.value, str)] if held else []

    def _name_device(self, device: str) -> str:
        if device not in self._devices:
            found = self._store.devices.find(device)
            self._devices[device] = found.name if found else device
        return self._devices[device]


def _say_what(row: ImplantRow) -> str:
    kind = "package" if row.kind == "package_opened" else "placed"
    if row.kind == "adhesive_injected":
        kind = "injected"
    return f"{row.item or 'device'} {kind}"
