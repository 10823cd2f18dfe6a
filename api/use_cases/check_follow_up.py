"""The promise of follow-up, asked of the whole record: who breaks it, and what to do (FG1-FG10)."""

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from api.clinical_rules.follow_up_gaps import (
    Gap,
    GapKind,
    find_gaps,
    find_next_act,
    is_follow_up_over,
)
from api.storage.device_store import Device
from api.storage.unit_store import UnitStore
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.follow_up_record import read_follow_up, texts_of


class ListedGap(msgspec.Struct, frozen=True, kw_only=True):
    """One gap with what people need to find the patient: local number, name, and the visit.

    `due_on` is the civil date by which it was to be done, "" where there is none.
    """

    kind: GapKind
    patient: str
    number: str
    name: str
    case: str
    visit: str
    label: str
    what_to_do: str
    due_on: str


class FollowUpCheck(msgspec.Struct, frozen=True, kw_only=True):
    """What the check of one day found.

    Parameters
    ----------
    checked : int
        Patients treated, or with a closed case; a case without a patient counts as one.
    with_next_act, ended, not_due : int
        Those without a gap who have a next act, whose follow-up a clinician ended, and with whom
        nothing is due yet: no plan is before the day after the treatment.
    """

    as_of_on: str
    checked: int
    with_next_act: int
    ended: int
    not_due: int
    gaps: tuple[ListedGap, ...]


def check_follow_up(store: UnitStore, *, on: str) -> FollowUpCheck:
    """Return who has no next act on a day, patient by patient (FG1-FG10).

    Parameters
    ----------
    on : str
        Civil date of today.

    Raises
    ------
    CalculationError
        It is no date.
    """
    if not is_civil_date(on):
        message = f"{on} is no date. Give a date such as 2026-03-01."
        raise CalculationError(message)
    standings = read_follow_up(store, on=on)
    gaps: list[ListedGap] = []
    with_next_act = ended = not_due = 0
    for one in standings:
        found = find_gaps(one.record, one.cases, one.visits, today_on=on, is_struck=one.is_struck)
        with store.transaction():
            gaps += [_list(gap, store) for gap in found]
        if found:
            continue
        if find_next_act(one.visits) is not None:
            with_next_act += 1
        elif is_follow_up_over(one.cases, one.visits):
            ended += 1
        else:
            not_due += 1
    return FollowUpCheck(
        as_of_on=on,
        checked=len(standings),
        with_next_act=with_next_act,
        ended=ended,
        not_due=not_due,
        gaps=tuple(gaps),
    )


def refuse_stranger_to_care(device: Device | None) -> None:
    """Refuse a device that reads no care: who was treated is no business of booking (FU-11).

    None is a command on the server.

    Raises
    ------
    NotAllowedError
        It reads none.
    """
    if device is not None and "care" not in device.streams:
        raise NotAllowedError("The follow-up check is for bedside devices. Ask one of those.")


def _list(gap: Gap, store: UnitStore) -> ListedGap:
    patient = store.views.state_of(gap.patient) if gap.patient else None
    visit = store.views.state_of(gap.visit) if gap.visit else None

    def said(field: str) -> str:
        return " or ".join(texts_of(patient, field))

    return ListedGap(
        kind=gap.kind,
        patient=gap.patient,
        number=said("local_id"),
        name=", ".join(one for one in (said("family_name"), said("given_name")) if one),
        case=gap.case,
        visit=gap.visit,
        label=" or ".join(texts_of(visit, "label")),
        what_to_do=gap.what_to_do,
        due_on=gap.due_on,
    )
