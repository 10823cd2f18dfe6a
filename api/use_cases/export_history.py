"""What a project was handed before: with it, a further export may tell what neither tells alone.

Pseudonyms of one project fit together, so whoever holds two of its exports knows who stands in one
of them only, and of each patient what both say (DX7).
"""

import csv
import io
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Sequence

import msgspec

from api.registry.suppress_small import is_small
from api.registry.whole_quarters import widen_to_quarters
from api.use_cases.errors import NotAllowedError
from api.use_cases.export_files import MANIFEST, unpack
from api.use_cases.export_generalising import LADDER, Step
from api.use_cases.export_tables import Rows

PATIENTS = "patients.csv"


class EarlierExport(msgspec.Struct, frozen=True):
    """One export that left: its patients as the project knows them, and how coarsely told."""

    patients: frozenset[str]
    step: Step | None


def require_whole_quarters(from_on: str, until_on: str) -> None:
    """Refuse a period that begins or ends within a quarter.

    It is not widened: more would leave than was asked for, and approved.

    Raises
    ------
    NotAllowedError
        It does; the sentence names the days to take.
    """
    first_on, last_on = widen_to_quarters(from_on, until_on)
    if (first_on, last_on) != (from_on, until_on):
        message = (
            "An export is of whole quarters, so that two of them differ by no single patient."
            f" Take {first_on or 'no first day'} to {last_on or 'no last day'}."
        )
        raise NotAllowedError(message)


def read_earlier(archives: Iterable[bytes]) -> list[EarlierExport]:
    """Return what the archives of a project hold, in their order."""
    return [_read(unpack(archive)) for archive in archives]


def find_step(earlier: Sequence[EarlierExport]) -> Step | None:
    """Return the step at which a project is told, None where it was told nothing yet."""
    return next((one.step for one in earlier if one.step is not None), None)


def require_no_small_part(patients: Collection[str], earlier: Sequence[EarlierExport]) -> None:
    """Refuse an export which, with all earlier ones, would part off one to four patients.

    A part are those who stand in the same exports and in no other: whoever holds all exports of a
    project sees each of them. Of two periods those in both are one, the rest of each another.

    Raises
    ------
    NotAllowedError
        There is such a part.
    """
    held = [frozenset(patients), *(one.patients for one in earlier)]
    parts = Counter(tuple(one in some for some in held) for one in frozenset[str]().union(*held))
    if any(map(is_small, parts.values())):
        message = (
            "With what this project holds, this export would part off fewer than five patients:"
            " together they would tell who these are. Take a longer time, or wait for more cases."
        )
        raise NotAllowedError(message)


def fold_project(project: str) -> str:
    """Return what the spellings of one project's name have in common.

    Examples
    --------
    >>> fold_project("Study  of Varices ") == fold_project("study of varices")
    True
    """
    return " ".join(unicodedata.normalize("NFKC", project).casefold().split())


def patients_of(rows: Rows) -> frozenset[str]:
    """Return the pseudonyms of all patients in the table of patients."""
    return frozenset(str(row["patient"]) for row in rows)


def read_patients(files: dict[str, bytes]) -> frozenset[str]:
    """Return the pseudonyms of all patients in the files of an export."""
    text = io.StringIO(files[PATIENTS].decode(), newline="")
    return frozenset(row["patient"] for row in csv.DictReader(text))


def _read(files: dict[str, bytes]) -> EarlierExport:
    said = msgspec.json.decode(files[MANIFEST]).get("generalised_to")
    step = next((one for one in LADDER if one.say() == said), None)
    return EarlierExport(read_patients(files), step)
