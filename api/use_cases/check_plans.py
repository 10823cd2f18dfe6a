"""The second check: every recorded plan is computed again here, by its own rule files.

A tablet saves a plan with the answer of its own engine. The server asks the twin engine the same
question with the very versions of the rule files that the answer names. It says where they
differ; it changes no plan and refuses no push.
"""

import datetime
import logging
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import msgspec

from api.clinical_rules.calculate import calculate
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.rule_book import RuleBook
from api.clinical_rules.rule_release import judge_release
from api.storage.device_store import Device
from api.storage.plan_checks import PlanCheck
from api.storage.unit_store import UnitStore
from api.use_cases.plan_comparison import compare_answers
from api.use_cases.unit_rules import UnitRules, contents_of, read_unit_rules
from sync.clock import read_stamp
from sync.merge import HeldValue
from sync.operation import Operation

_LOG = logging.getLogger("crura")
MOST_DIFFERENCES = 40
# A pinned book chooses by version: any day does. Of the unit it asks whether it is live at all,
# since a store that holds training patients never goes live.
_LAST_DAY = "2199-12-31"
_NO_PLAN = (
    "The plan does not hold a question, an answer and the rule files it used. "
    "Plan again on the tablet."
)
_OTHER_RULES = (
    "The rules here cannot compute with the rule files that the plan names. "
    "Plan again on a tablet with this release."
)


class PlanChecks(msgspec.Struct, frozen=True):
    """Plans that differ or cannot be checked, and how many agree or still wait."""

    plans: tuple[PlanCheck, ...]
    agreed: int
    waiting: int


class _Pin(msgspec.Struct, frozen=True):
    name: str
    version: int
    sha256: str


class _Answer(msgspec.Struct, frozen=True):
    rule_files: tuple[_Pin, ...]


class _Plan(msgspec.Struct, frozen=True):
    request: dict[str, Any]
    answer: dict[str, Any]


def list_plan_checks(store: UnitStore, device: Device) -> PlanChecks:
    """Return what the second check found in the streams that a device may read.

    What still waits, for example after a crash, is checked first.
    """
    check_waiting_plans(store)
    return _list(store, device.streams)


def check_every_plan(store: UnitStore) -> PlanChecks:
    """Check every plan of the unit anew and return what was found."""
    with store.transaction():
        store.plan_checks.await_check_of_all()
    check_waiting_plans(store)
    return _list(store, {kind.stream for kind in store.catalogue.kinds.values()})


def check_waiting_plans(store: UnitStore) -> None:
    """Check the plans of all cases that wait; others read and write the store in between."""
    for _ in _check_waiting(store):
        pass


def check_one_by_one(store: UnitStore) -> Iterator[bool]:
    """Check what waits, one plan a step, and yield True after each; whatever happens ends it.

    For a server that does other things between the steps.
    """
    try:
        yield from _check_waiting(store)
    except Exception as error:  # noqa: BLE001  nobody waits for an answer; the case goes on waiting
        # Not the message: it may hold what patients' records hold (SEC-20).
        _LOG.error("%s in the second check of plans", type(error).__name__)


def _check_waiting(store: UnitStore) -> Iterator[bool]:
    with store.transaction():
        waiting = store.plan_checks.waiting()
        if not waiting:
            return
        rules = read_unit_rules(store)
    for record in waiting:
        with store.transaction():
            plans = _plans_of(store, record)
        checks: list[PlanCheck] = []
        for plan in plans:
            if checks:
                # A case may hold hundreds of plans, while pushes wait for their turn.
                yield True
            checks.append(check_plan(record, plan, rules))
        with store.transaction():
            # A plan that came meanwhile left the case waiting; whoever took it in checks it.
            if _plans_of(store, record) == plans:
                store.plan_checks.keep(record, checks)
        yield True


def may_change_plans(operation: Operation) -> bool:
    """Say whether an operation on a case may bring, replace or take back a plan.

    By the letters of its body, which need not be read: where in doubt it may.
    """
    text = operation.body_text or ""
    return operation.record.startswith("case/") and (
        # A key with a backslash may be any key.
        '"plan"' in text or '"retract"' in text or "\\" in text
    )


def check_plan(record: str, plan: HeldValue, rules: UnitRules) -> PlanCheck:
    """Return the verdict on one recorded plan; nothing about the plan makes this fail.

    Parameters
    ----------
    record : str
        The case that holds the plan.
    plan : HeldValue
        Value of the field ``plan``: ``request``, ``answer``, ``protocol``.
    rules : UnitRules
        The rule files that the unit holds beside those of this release, and whether it is live.
    """
    check = PlanCheck(
        record=record,
        references=plan.references,
        labels=_labels_of(plan.value),
        by=plan.by,
        stamp=plan.stamp,
        verdict="agrees",
    )
    try:
        return _judge(check, plan.value, rules)
    except Exception as error:  # noqa: BLE001  a check that broke is a verdict, not a failure
        sentence = (
            f"The check stopped ({type(error).__name__}). Compare the numbers by hand and tell "
            "the data manager."
        )
        return msgspec.structs.replace(check, verdict="cannot-be-checked", sentence=sentence)


def _judge(check: PlanCheck, content: object, rules: UnitRules) -> PlanCheck:
    try:
        plan = msgspec.convert(content, _Plan)
        pins = msgspec.convert(plan.answer, _Answer).rule_files
    except msgspec.ValidationError:
        return _cannot(check, _NO_PLAN)
    try:
        named = [(pin.name, pin.version, pin.sha256) for pin in pins]
        book = RuleBook.pinned(
            contents_of(rules), named, on=_LAST_DAY, is_training=rules.is_training
        )
    except RuleFileError as error:
        return _cannot(check, str(error))
    stray = None if rules.is_training else _find_stray(pins, rules, check.stamp)
    if stray is not None:
        sentence = (
            f"Rule file {stray.name} version {stray.version} was not in force when the plan was "
            "made. Plan again on the tablet."
        )
        return _cannot(check, sentence)
    try:
        answer = calculate("sizing", plan.request, book)
    except RuleFileError:
        return _cannot(check, _OTHER_RULES)
    except CalculationRefusedError as error:
        return _cannot(check, f"The rules here refuse the question: {error}")
    # Once through JSON, as the tablet's answer came.
    found = compare_answers(plan.answer, msgspec.json.decode(msgspec.json.encode(answer)))
    return msgspec.structs.replace(
        check,
        verdict="differs" if found else "agrees",
        differences=found[:MOST_DIFFERENCES],
        left_out=max(0, len(found) - MOST_DIFFERENCES),
    )


def _find_stray(pins: Sequence[_Pin], rules: UnitRules, stamp: str) -> _Pin | None:
    """Return a pinned version that two people had not approved by the day of the plan.

    A day either way is let pass: the stamp is in universal time, a release in the unit's.
    """
    read = read_stamp(stamp)
    made = datetime.datetime.fromtimestamp((read.wall_ms if read else 0) / 1000, datetime.UTC)
    days = [(made + datetime.timedelta(days=away)).date().isoformat() for away in (-1, 0, 1)]
    released = {(one.name, one.version): one for one in rules.releases}
    for pin in pins:
        release = released.get((pin.name, pin.version))
        if release is None or all(
            judge_release(release, on=day).standing != "in force" for day in days
        ):
            return pin
    return None


def _cannot(check: PlanCheck, sentence: str) -> PlanCheck:
    return msgspec.structs.replace(check, verdict="cannot-be-checked", sentence=sentence)


def _labels_of(content: object) -> tuple[str, ...]:
    request = content.get("request") if isinstance(content, dict) else None
    targets = request.get("targets") if isinstance(request, dict) else None
    found = [
        target.get("label")
        for target in (targets if isinstance(targets, list) else [])
        if isinstance(target, dict)
    ]
    return tuple(label for label in found if isinstance(label, str))


def _plans_of(store: UnitStore, record: str) -> tuple[HeldValue, ...]:
    """Return every plan that stands on a case: two while a conflict is open."""
    state = store.views.state_of(record)
    field = state.fields.get("plan") if state else None
    return () if field is None else tuple(one for one in field.values if one.value is not None)


def _list(store: UnitStore, streams: Iterable[str]) -> PlanChecks:
    with store.transaction():
        checks, waiting = store.plan_checks.found(streams)
    to_show = tuple(check for check in checks if check.verdict != "agrees")
    return PlanChecks(to_show, len(checks) - len(to_show), waiting)
