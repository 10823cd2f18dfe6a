"""What a row of each rule file looks like, by the file's name or by its folder."""

from collections.abc import Mapping

from api.clinical_rules.adhesive import FlushRow
from api.clinical_rules.adverse_events import GradeRow
from api.clinical_rules.antithrombotic_holds import HoldRow
from api.clinical_rules.coil_picks import CoilCountRow, WireGaugeRow
from api.clinical_rules.errors import RuleFileError
from api.clinical_rules.first_bleed import FirstBleedRow
from api.clinical_rules.follow_up_measures import MEASURES, MeasureRow
from api.clinical_rules.follow_up_rows import EARLY_LOOK, EarlyLookRow, VisitRow
from api.clinical_rules.gates import GateRow
from api.clinical_rules.intended_use import INTENDED_USE, UseRow
from api.clinical_rules.letter_settings import LETTER_SETTINGS, SettingRow
from api.clinical_rules.liver_rules import CoefficientRow, InputRangeRow, LiverBandRow
from api.clinical_rules.lot_names import TRACE, LookAlikeRow
from api.clinical_rules.reminder_days import REMINDERS, ReminderRow
from api.clinical_rules.rule_file import Row
from api.clinical_rules.sizing import CautionRow
from api.clinical_rules.sizing_limits import LimitRow
from api.clinical_rules.step_protocol import Step
from api.clinical_rules.value_cautions import UsualBandRow
from api.clinical_rules.varix_class import SizeClassRow
from api.clinical_rules.visit_course_limits import COURSE, CourseRow

# A folder stands for every file in it; a whole name comes before its folder.
ROW_TYPES: Mapping[str, type[Row]] = {
    "adverse_events": GradeRow,
    "antithrombotic_holds": HoldRow,
    "follow_up": VisitRow,
    EARLY_LOOK: EarlyLookRow,
    COURSE: CourseRow,
    MEASURES: MeasureRow,
    REMINDERS: ReminderRow,
    "gates": GateRow,
    INTENDED_USE: UseRow,
    LETTER_SETTINGS: SettingRow,
    "liver_scores/bands": LiverBandRow,
    "liver_scores/coefficients": CoefficientRow,
    "liver_scores/input_ranges": InputRangeRow,
    "measurements/usual_bands": UsualBandRow,
    "pictures/reading": LimitRow,
    "sizing/cautions": CautionRow,
    "sizing/coil_counts": CoilCountRow,
    "sizing/flush_media": FlushRow,
    "sizing/limits": LimitRow,
    "sizing/wire_gauges": WireGaugeRow,
    "step_protocols": Step,
    "stock": LimitRow,
    TRACE: LookAlikeRow,
    "varix_class/size_classes": SizeClassRow,
    "varix_risk/first_bleed": FirstBleedRow,
}


def row_type_of(name: str) -> type[Row]:
    """Return the row type of a rule file.

    Raises
    ------
    RuleFileError
        No calculator reads a file of this name.
    """
    folder = name.split("/", 1)[0]
    found = ROW_TYPES.get(name) or ROW_TYPES.get(folder)
    if found is None:
        message = f"No calculator reads a rule file {name}. Name one of {', '.join(ROW_TYPES)}."
        raise RuleFileError(message)
    return found
