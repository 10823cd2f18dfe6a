"""Tries a rule file before a unit takes it: its shape, its rows, and one whole calculation."""

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec

from api.clinical_rules.adverse_events import grade_adverse_event
from api.clinical_rules.calculate import CALCULATIONS, Calculation
from api.clinical_rules.clinic_trial import try_letter_settings, try_measures, try_reminders
from api.clinical_rules.coil_picks import CoilCountRow
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError, ShapeError
from api.clinical_rules.examples import EXAMPLES
from api.clinical_rules.first_bleed import answer_first_bleed
from api.clinical_rules.follow_up_measures import MEASURES
from api.clinical_rules.follow_up_rows import NOT_PLANS, VisitRow
from api.clinical_rules.gates import GateRow, find_gates, refuse_row_faults
from api.clinical_rules.implant_search import answer_implant_search
from api.clinical_rules.intended_use import INTENDED_USE, answer_intended_use
from api.clinical_rules.letter_settings import LETTER_SETTINGS
from api.clinical_rules.lot_names import TRACE
from api.clinical_rules.picture_length import answer_picture_length
from api.clinical_rules.reminder_days import REMINDERS
from api.clinical_rules.row_types import row_type_of
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_file import Row, RuleFile, read_rule_file
from api.clinical_rules.rule_release import Release
from api.clinical_rules.step_protocol import BLOOD_RETURN, Step
from api.clinical_rules.stock_counts import STOCK
from api.clinical_rules.stock_trial import try_stock
from api.clinical_rules.value_cautions import answer_value_cautions
from api.clinical_rules.varix_class import answer_varix_class
from api.clinical_rules.visit_course import take_visit_act
from api.clinical_rules.visit_course_limits import COURSE

# The last day of the calendar that the rules know: the file tried is the one in force then.
_ON = "2199-12-31"
# Which calculation reads a file or the files of a folder, and under which key it takes one by name.
_READERS: Mapping[str, tuple[str, str | None]] = {
    "antithrombotic_holds": ("antithrombotic-holds", "profile"),
    "follow_up": ("follow-up", "plan"),
    "follow_up/early_look": ("follow-up", None),
    "liver_scores": ("liver-scores", None),
    "sizing": ("sizing", None),
}


# Engines that `calculate` does not list, each with a request that reads its file.
_INNER: Mapping[str, tuple[Calculation, Mapping[str, object]]] = {
    "adverse_events": (grade_adverse_event, {"transfusion": True, "admission_nights": 2}),
    COURSE: (
        take_visit_act,
        {
            "visit": {"status": "booked"},
            "act": {"act": "no-show", "role": "booking", "today_on": "2026-01-31", "because": "-"},
        },
    ),
    "gates": (find_gates, {"pure_ul_given": 0, "pure_ul_next": 0}),
    INTENDED_USE: (
        answer_intended_use,
        {"on": "2026-03-16", "varix_class": ["GOV2"], "born_on": ["1968-04-17"]},
    ),
    LETTER_SETTINGS: (try_letter_settings, {}),
    MEASURES: (try_measures, {"on": "2026-01-31"}),
    REMINDERS: (try_reminders, {"on": "2026-01-31"}),
    "measurements": (
        answer_value_cautions,
        {"quantity": "bilirubin", "unit": "umol/L", "amount": 41},
    ),
    "pictures": (
        answer_picture_length,
        {
            "width_px": 800,
            "height_px": 600,
            "scale": {"from": {"x": 40, "y": 20}, "to": {"x": 40, "y": 520}, "known_um": 50_000},
            "line": {"from": {"x": 300, "y": 200}, "to": {"x": 440, "y": 200}},
        },
    ),
    STOCK: (try_stock, {"today_on": "2026-03-16"}),
    TRACE: (
        answer_implant_search,
        {"search": {"lots": ["L0T-1"]}, "implants": [{"devices": [{"lot": "LOT-1"}]}]},
    ),
    "varix_class": (answer_varix_class, {"short_axis_um": 12_000}),
    "varix_risk": (answer_first_bleed, {"varix_class": "GOV2"}),
}
# By which keys a row is known: the next version of a file keeps every row of the one before.
_ROW_KEYS: Mapping[str, tuple[str, ...]] = {
    COURSE: ("item",),
    "gates": ("id", "when"),
    INTENDED_USE: ("fact",),
    "liver_scores/coefficients": ("score", "term"),
    "liver_scores/input_ranges": ("input", "unit"),
    "measurements/usual_bands": ("quantity", "unit"),
    MEASURES: ("measure",),
    REMINDERS: ("reminder",),
    "pictures/reading": ("item",),
    "sizing/cautions": ("id",),
    "sizing/flush_media": ("agent",),
    "sizing/limits": ("item",),
    STOCK: ("item",),
    TRACE: ("sign",),
}
_NAME = re.compile(r"[a-z_]{1,40}/[a-z0-9_-]{1,60}")
_LAST_VERSION = 999_999


class _Named(msgspec.Struct, frozen=True):
    name: str
    version: int


def try_rule_file(content: bytes, held: Mapping[str, bytes]) -> tuple[str, int]:
    """Return name and version of a rule file that the engines can use (RL8).

    Parameters
    ----------
    content : bytes
        The file as a unit wrote it.
    held : mapping of path to bytes
        The other rule files, with ``in_force.json``.

    Raises
    ------
    RuleFileError
        The text names the file, the row and the remedy.
    """
    try:
        named = msgspec.json.decode(content, type=_Named)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        message = f"The rule file cannot be read ({error}). Give it a name and a version."
        raise RuleFileError(message) from error
    if not _NAME.fullmatch(named.name) or not 1 <= named.version <= _LAST_VERSION:
        message = (
            f"The rule file calls itself {named.name[:80]!r} version {named.version}. Name it "
            f"folder/name in small letters, with a version from 1 to {_LAST_VERSION}."
        )
        raise RuleFileError(message)
    path = f"{named.name}.v{named.version}.json"
    read = read_rule_file(path, content, row_type_of(named.name))
    wrong_status = status_fault(read.status, path)
    if wrong_status:
        raise RuleFileError(wrong_status)
    _refuse_without_origin(read, path)
    _refuse_lost_rows(read, path, held)
    sha256 = hashlib.sha256(content).hexdigest()
    release = Release(name=named.name, version=named.version, sha256=sha256)
    book = RuleBook({**held, path: content}, on=_ON, releases=(release,))
    if read.name.startswith("gates/"):
        refuse_row_faults(book.rule_file(named.name, GateRow))
    folder = named.name.partition("/")[0]
    if folder == "follow_up" and named.name not in NOT_PLANS:
        _refuse_course_without_end(book.rule_file(named.name, VisitRow), path)
    for kind, request in _requests(named.name):
        _calculate(CALCULATIONS[kind], request, book, path)
    tried = _INNER.get(named.name) or _INNER.get(folder)
    if tried is not None:
        calculation, inner = tried
        _calculate(calculation, dict(inner), book, path)
    if named.name == "sizing/coil_counts":
        _refuse_turned_ranges(book.rule_file(named.name, CoilCountRow), path)
    if folder == "step_protocols":
        _refuse_protocol_faults(book.rule_file(named.name, Step), path)
    return named.name, named.version


def status_fault(status: str, path: str) -> str:
    """Return what is wrong with the standing that a file gives itself; "" for nothing (RL8)."""
    if status in ("draft", "retired"):
        return f"Rule file {path} calls itself {status}. Correct its `status`."
    return ""


def _refuse_turned_ranges(counts: RuleFile[CoilCountRow], path: str) -> None:
    for place, row in enumerate(counts.rows, start=1):
        if row.from_coils > row.to_coils:
            message = (
                f"Rule file {path}: row {place} begins with more coils than it ends with. "
                "Correct `from_coils` or `to_coils`."
            )
            raise RuleFileError(message)


def _refuse_course_without_end(plan: RuleFile[VisitRow], path: str) -> None:
    """Refuse a plan after which somebody could be left without a next act (FU10)."""
    if all(row.when != "nothing_else" for row in plan.rows):
        message = (
            f"Rule file {path} has no row `nothing_else`: a patient could be left without a next "
            "act. Add it as the version before has it."
        )
        raise RuleFileError(message)


def _refuse_protocol_faults(protocol: RuleFile[Step], path: str) -> None:
    """Refuse a protocol in which an engine would look for a step in vain, or find two."""
    ids = [step.id for step in protocol.rows]
    doubled = next((one for one in ids if ids.count(one) > 1), None)
    if doubled is not None:
        message = f"Rule file {path}: step {doubled} stands twice. Give each step its own id."
        raise RuleFileError(message)
    gated = {step.id for step in protocol.rows if step.gate is not None}
    lacking = [one for one in (BLOOD_RETURN, "injection") if one not in gated]
    lacking += [one for one in ("distance", "stop_set", "dead_space_flush") if one not in ids]
    if lacking:
        message = (
            f"Rule file {path} lacks the step {lacking[0]}, or its gate. Add it as the version "
            "before has it."
        )
        raise RuleFileError(message)
    loops = [step.loop for step in protocol.rows if step.loop is not None]
    if list(dict.fromkeys(loops)) != ["puncture", "coil", "aliquot"]:
        message = f"Rule file {path} has not the loops puncture, coil, aliquot in this order."
        raise RuleFileError(f"{message} Correct the key `loop` of its rows.")


def _refuse_without_origin(read: RuleFile[Row], path: str) -> None:
    for place, row in enumerate(read.rows, start=1):
        if not row.source or row.basis is None:
            message = (
                f"Rule file {path}: row {place} has no source or basis. Say where it comes from."
            )
            raise RuleFileError(message)


def lost_rows(
    name: str, rows: Sequence[Row], path: str, held: Mapping[str, bytes]
) -> Iterator[str]:
    """Yield a sentence for each row that the version before has and these rows leave out (RL8)."""
    keys = _ROW_KEYS.get(name) or _ROW_KEYS.get(name.partition("/")[0])
    book = RuleBook(held, on=_ON)
    if keys is None or not book.has(name):
        return
    before = book.rule_file(name, row_type_of(name))
    here = {tuple(getattr(row, key) for key in keys) for row in rows}
    for row in before.rows:
        named = tuple(getattr(row, key) for key in keys)
        if named not in here:
            words = " ".join(str(part) for part in named)
            yield (
                f"Rule file {path} has no row {words}, which version {before.version} has. Add it."
            )


def _refuse_lost_rows(read: RuleFile[Row], path: str, held: Mapping[str, bytes]) -> None:
    """Refuse a version that leaves out what the one before it held: no caution may vanish."""
    lost = next(lost_rows(read.name, read.rows, path, held), None)
    if lost is not None:
        raise RuleFileError(lost)


def _requests(name: str) -> list[tuple[str, dict[str, Any]]]:
    """Return the calculations that read a file, each with a whole and with a bare request."""
    folder, _, stem = name.partition("/")
    reader = _READERS.get(name) or _READERS.get(folder)
    if reader is None or (name in NOT_PLANS and name not in _READERS):
        return []
    kind, key = reader
    named = {} if key is None else {key: stem}
    requests: list[tuple[str, dict[str, Any]]] = [(kind, {**EXAMPLES[kind], **named})]
    if kind == "follow-up":
        bare = {"index_on": "2026-01-31", "acute_bleed": False, "today_on": "2026-01-31"}
        requests.append((kind, {"plan": "default", **bare, **named}))
    return requests


def _calculate(
    calculation: Calculation, request: dict[str, Any], book: RuleBook, path: str
) -> None:
    try:
        calculation(request, book)
    except CalculationRefusedError:
        # A refusal is an answer too; only a fault of the file stops it.
        return
    except (ShapeError, ArithmeticError, LookupError, ValueError) as error:
        message = (
            f"Rule file {path} cannot be calculated with ({type(error).__name__}: {error}). "
            "Compare its rows with those of the version before."
        )
        raise RuleFileError(message) from error
