"""Engines that `calculate` does not list, each made a function of request and rule book.

The twin of this table is `INNER` in `pwa/src/clinical-rules/calculate-lines.mjs`.
"""

from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from api.clinical_rules.adverse_events import grade_adverse_event
from api.clinical_rules.first_bleed import answer_first_bleed
from api.clinical_rules.gates import find_gates
from api.clinical_rules.implant_search import answer_implant_search
from api.clinical_rules.intended_use import answer_intended_use
from api.clinical_rules.lay_out_list import make_lay_out_list
from api.clinical_rules.package_counts import count_packages
from api.clinical_rules.picture_length import answer_picture_length
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.session_places import answer_session_places
from api.clinical_rules.step_protocol import (
    PlannedTarget,
    Round,
    StepEvent,
    find_out_of_turn,
    follow_protocol,
    read_protocol,
)
from api.clinical_rules.stock_counts import count_stock
from api.clinical_rules.value_cautions import answer_value_cautions
from api.clinical_rules.varix_class import answer_varix_class
from api.clinical_rules.visit_course import look_at_visit, take_visit_act

Engine = Callable[[Any, RuleBook], dict[str, Any]]


def read_procedure(request: Any) -> tuple[list[PlannedTarget], list[StepEvent]]:
    """Return targets and events of a procedure, as `given` of a vector writes it."""
    targets = [PlannedTarget(**one) for one in request["targets"]]
    events = [
        StepEvent(
            one["step"],
            Round(*(one.get(key) for key in ("target", "puncture", "coil", "aliquot"))),
            one.get("outcome", "done"),
            one.get("move"),
        )
        for one in request["events"]
    ]
    return targets, events


def answer_step_protocol(request: Any, rule_book: RuleBook) -> dict[str, Any]:
    """Return where a procedure stands; the request has the form of `given` in its vectors."""
    steps = read_protocol(rule_book)
    targets, events = read_procedure(request)
    progress = msgspec.to_builtins(follow_protocol(steps, targets, events))
    return {**progress, "out_of_turn": find_out_of_turn(steps, targets, events)}


INNER: Mapping[str, Engine] = {
    "step-protocol": answer_step_protocol,
    "varix-class": answer_varix_class,
    "adverse-event-grades": grade_adverse_event,
    "value-cautions": answer_value_cautions,
    "first-bleed": answer_first_bleed,
    "gates": find_gates,
    "implant-search": answer_implant_search,
    "intended-use": answer_intended_use,
    "picture-length": answer_picture_length,
    "session-places": lambda request, _: answer_session_places(request),
    "stock-counts": count_stock,
    "lay-out": make_lay_out_list,
    "package-counts": lambda request, _: count_packages(request),
    "visit-act": take_visit_act,
    "visit-outlook": look_at_visit,
}
