"""What the rule files below ``follow_up`` hold: visits of a plan, and limits of the early look."""

from typing import Annotated, Literal

import msgspec

from api.clinical_rules.rule_file import Amount, Days, Months, Row, Words

EARLY_LOOK = "follow_up/early_look"
# Files of the folder that are no plan: nobody can be followed up by them.
NOT_PLANS = (EARLY_LOOK, "follow_up/course", "follow_up/measures", "follow_up/reminders")


class VisitRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One visit of a follow-up plan."""

    visit: Words
    kind: Words
    label: Words
    owner_role: Literal["booking", "clinician"]
    anchor: Literal[
        "procedure", "treatment", "last_look", "unseen_look", "obliteration", "last_contact"
    ]
    months: Months
    days: Days
    before_days: Days
    after_days: Days
    repeat_months: Months | None
    when: Literal[
        "always",
        "acute_bleed",
        "early_look",
        "flow_persists",
        "not_seen",
        "retreated",
        "obliterated",
        "obliterated_or_retreated",
        "oesophageal_banded",
        "liver_ultrasound",
        "on_beta_blocker",
        "nothing_else",
    ]
    lapses: bool
    because: Words


class EarlyLookRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits from which an early look is planned and from which a clinician takes over."""

    above_adhesive_ul: Amount
    from_coils: Amount
    no_shows_to_clinician: Annotated[int, msgspec.Meta(ge=1, le=20)]
