"""A case as it is shown: every value that one reads, without who wrote it when. Pure.

Papers are made from this alone, so that the server and a tablet that hold the same operations
print the same. Twin of `state/papers/shown-case.ts`.
"""

import re
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from api.clinical_rules.civil_date import is_civil_date

# What both engines read as an instant; each alone would read more.
_INSTANT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]{3})?)?"
    r"(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])"
)


# Kinds of which every value is kept, though each field has but one answer: two are a doubt.
ONE_ANSWER = ("coil_placed", "adhesive_injected", "flush")


class ShownRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One record.

    Parameters
    ----------
    shows : dict
        Field to the value that is read; a field with two answers is not in it.
    held : dict
        Field to all its values, where it keeps several.
    conflicts : list of str
        Fields in which two answers wait, sorted.
    by : str
        Who wrote what stands last.
    """

    record: str
    shows: dict[str, Any]
    held: dict[str, list[Any]] = {}
    conflicts: list[str] = []
    by: str = ""

    @property
    def kind(self) -> str:
        """Return the kind of the record."""
        return self.record.partition("/")[0]

    def text(self, field: str, part: str = "") -> str:
        """Return a text, "" where none is shown."""
        value = self.parts(field).get(part) if part else self.shows.get(field)
        return value if isinstance(value, str) else ""

    def whole(self, field: str, part: str = "") -> int | None:
        """Return a whole number of 0 or more, None where none is shown."""
        value = self.parts(field).get(part) if part else self.shows.get(field)
        return value if is_count(value) else None

    def parts(self, field: str) -> dict[str, Any]:
        """Return the parts of a structure, none where none is shown."""
        return parts_of(self.shows.get(field))

    def texts(self, field: str) -> list[str]:
        """Return the texts of a list."""
        return texts_in(self.shows.get(field))


class ShownCase(msgspec.Struct, frozen=True, kw_only=True):
    """One case with all that papers tell of it; entries made in error are left out.

    Parameters
    ----------
    on : str
        Civil date of today.
    zone : str
        IANA name of the unit's time zone.
    records : list of ShownRecord
        What was recorded under the case, oldest first.
    outside : list of str
        Facts that lie outside the stated use: then nothing planned or computed is printed.
    is_changed : bool
        Something signed was changed after the last signature.
    changed : list of list of str
        Record and field of what was entered after it, sorted; what was struck since, or had not
        reached the signer, is not in it.
    lay_out : list of dict
        Lines of the lay-out list, empty where no plan holds any.
    is_training : bool
        The unit is in training: its patients are invented.
    """

    on: str
    zone: str
    itself: ShownRecord
    patient: ShownRecord | None
    records: list[ShownRecord]
    visits: list[ShownRecord]
    staff: list[ShownRecord]
    stock: list[ShownRecord]
    unit_name: str
    unit_address: str
    unit_phone: str
    outside: list[str]
    is_changed: bool
    changed: list[tuple[str, str]]
    lay_out: list[dict[str, Any]]
    is_training: bool = False

    def of_kind(self, kind: str) -> list[ShownRecord]:
        """Return the records of a kind, oldest first."""
        return [one for one in self.records if one.kind == kind]

    def doubts(self) -> list[tuple[ShownRecord, str]]:
        """Return every record of the case and field of it in which two answers wait."""
        patient = [self.patient] if self.patient else []
        every = (self.itself, *patient, *self.records, *self.visits)
        return [(one, field) for one in every for field in one.conflicts]

    def targets(self) -> list[ShownRecord]:
        """Return the targets in the order of treatment, then of entry."""
        held = self.of_kind("target")
        return sorted(held, key=lambda one: (one.whole("order") is None, one.whole("order") or 0))

    def stocked(self, record: str) -> ShownRecord | None:
        """Return a stock item."""
        return next((one for one in self.stock if one.record == record), None)

    def name_of(self, person: str) -> str:
        """Return the name of a person of the unit, else the bare id."""
        found = next((one for one in self.staff if one.record == person), None)
        return (found.text("name") if found else "") or person.removeprefix("staff/")

    def patient_name(self) -> str:
        """Return given and family name, "" where neither is known."""
        patient = self.patient
        names = [patient.text("given_name"), patient.text("family_name")] if patient else []
        return " ".join(name for name in names if name)

    def patient_text(self, field: str) -> str:
        """Return a text of the patient's record."""
        return self.patient.text(field) if self.patient else ""

    def day(self) -> str:
        """Return the civil date of the procedure, "" where none is recorded."""
        said = self.itself.text("procedure_on")
        return said if is_civil_date(said) else ""

    def time(self, at: str) -> str:
        """Return the time of day of an instant where the unit is, `HH:MM`, "" for no instant."""
        found = self._local(at)
        return found.strftime("%H:%M") if found else ""

    def civil_date(self, at: str) -> str:
        """Return the civil date of an instant where the unit is, "" for no instant."""
        found = self._local(at)
        return found.date().isoformat() if found else ""

    def _local(self, at: str) -> datetime | None:
        if not _INSTANT.fullmatch(at) or not is_civil_date(at[:10]):
            return None
        return datetime.fromisoformat(at).astimezone(ZoneInfo(self.zone))


def is_count(value: object) -> bool:
    """Say whether a value is a whole number of 0 or more."""
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def parts_of(value: object) -> dict[str, Any]:
    """Return the parts of a structure, none where it is none."""
    return value if isinstance(value, dict) else {}


def texts_in(value: object) -> list[str]:
    """Return the texts of a list, none where it is none."""
    return [one for one in value if isinstance(one, str)] if isinstance(value, list) else []


def rows_in(value: object) -> list[dict[str, Any]]:
    """Return the structures of a list, none where it is none."""
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def text_in(parts: dict[str, Any], name: str) -> str:
    """Return a text out of a structure, "" where there is none."""
    value = parts.get(name)
    return value if isinstance(value, str) else ""


def count_in(parts: dict[str, Any], name: str) -> int | None:
    """Return a whole number of 0 or more out of a structure, None where there is none."""
    value = parts.get(name)
    return value if is_count(value) else None


def count_text(parts: dict[str, Any], name: str) -> str:
    """Return a whole number of 0 or more as text, "" where there is none."""
    count = count_in(parts, name)
    return "" if count is None else str(count)


def once(found: Iterable[str]) -> list[str]:
    """Return each text once, in the order in which it came first, without empty ones."""
    return [one for one in dict.fromkeys(found) if one]


def lines_in(text: str) -> list[str]:
    """Return the lines of a text, without empty ones."""
    return [line.strip() for line in text.split("\n") if line.strip()]
