"""The records of a unit as the judgement takes them, and what they show. Pure."""

from collections.abc import Collection, Mapping, Sequence

import msgspec

from api.clinical_rules.civil_date import is_civil_date
from sync.merge import RecordState, shown_value

# What is read of a unit's record: no kind beyond these is looked at.
KINDS = (
    "patient",
    "case",
    "lab_result",
    "target",
    "puncture",
    "package_opened",
    "coil_placed",
    "adhesive_injected",
    "complication",
    "sign_off",
    "visit",
    "visit_result",
)
_TREATED_STAGES = ("closing", "closed")


class Likeness(msgspec.Struct, frozen=True):
    """How likely two records of patients are one person, and how alike each trait is, in words."""

    per_mille: int
    traits: tuple[tuple[str, str], ...]


class UnitRecords(msgspec.Struct, frozen=True, kw_only=True):
    """What is judged.

    Parameters
    ----------
    states : mapping of kind to states
        Of `KINDS`, struck ones included.
    today_on : str
        Civil date.
    doubles : sequence of pairs
        Possible double entries that nobody has decided on (DE1-DE7).
    conflicts : sequence of (record, field)
        Fields with more than one answer left (CF1).
    alike : mapping of (record, record) to Likeness
        Patients that may be one person entered twice, each pair sorted.
    without_follow_up : collection of str
        Cases for which the check of follow-up misses a plan (FG1).
    """

    states: Mapping[str, Sequence[RecordState]]
    today_on: str
    doubles: Sequence[tuple[str, str]] = ()
    conflicts: Sequence[tuple[str, str]] = ()
    alike: Mapping[tuple[str, str], Likeness] = {}
    without_follow_up: Collection[str] = ()

    def standing(self, kind: str) -> list[RecordState]:
        """Return the records of a kind that nobody struck."""
        return [one for one in self.states.get(kind, ()) if not one.is_entered_in_error]

    def by_case(self, kind: str) -> dict[str, list[RecordState]]:
        """Return the standing records of a kind by the case that they name."""
        found: dict[str, list[RecordState]] = {}
        for state in self.standing(kind):
            found.setdefault(text_in(state, "case"), []).append(state)
        return found


class TreatedCase(msgspec.Struct, frozen=True, kw_only=True):
    """A case with coils or adhesive, or one that is closing or closed.

    ``on`` is the day of treatment, "" where none is known. One that was taken in from a file of
    past cases has no steps and no signature of ours.
    """

    state: RecordState
    on: str
    is_closed: bool
    is_taken_in: bool

    @property
    def record(self) -> str:
        """Its record."""
        return self.state.record


def treated_cases(records: UnitRecords) -> list[TreatedCase]:
    """Return the cases of which somebody was treated, by record."""
    acted = {*records.by_case("coil_placed"), *records.by_case("adhesive_injected")}
    return [
        TreatedCase(
            state=state,
            on=day_in(state, "procedure_on"),
            is_closed=value_in(state, "stage") in _TREATED_STAGES,
            is_taken_in=bool(text_in(state, "imported_in")),
        )
        for state in sorted(records.standing("case"), key=lambda one: one.record)
        if state.record in acted or value_in(state, "stage") in _TREATED_STAGES
    ]


def value_in(state: RecordState | None, *path: str) -> object:
    """Return what a field, or a part of a structure, shows; None where nothing or two things."""
    shown: object = shown_value(state.fields.get(path[0])) if state else None
    for part in path[1:]:
        shown = shown.get(part) if isinstance(shown, dict) else None
    return shown


def text_in(state: RecordState | None, *path: str) -> str:
    """Return a text, "" where there is none."""
    shown = value_in(state, *path)
    return shown.strip() if isinstance(shown, str) else ""


def whole_in(state: RecordState | None, *path: str) -> int | None:
    """Return a whole number, None where there is none."""
    shown = value_in(state, *path)
    return shown if isinstance(shown, int) and not isinstance(shown, bool) else None


def day_in(state: RecordState | None, *path: str) -> str:
    """Return the civil date of a date or an instant, "" where there is none."""
    day = text_in(state, *path)[:10]
    return day if is_civil_date(day) else ""


def is_filled(value: object) -> bool:
    """Say whether something was answered; no and nought are answers, an empty text is none."""
    return value is not None and value not in ("", [], {})
