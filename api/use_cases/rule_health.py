"""How the gates and soft remarks of a unit fare: how often they came up, and were passed (GATE-05).

Read from the record alone. A gate that came up is named by what is recorded next on that screen: at
the bedside by the step, on Plan and at Close-out by a step event beside the act
(``answers.gates_shown``), with a signature by its ``outcome.gates_shown``. One that was passed is
named by its override, a soft one that asks why by ``answers.used_because``, and one that stood
while something was recorded all the same by ``answers.gate_stood``. A remark after which nothing
was recorded on its screen is not counted.
"""

import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

import msgspec

from api.storage.unit_store import UnitStore
from sync.merge import RecordState, shown_value

# Project default: with fewer, one person's habit would speak for the rule.
FEWEST_FIRES = 20
# Project default: a text passed faster than it can be read is passed unread.
SHORTEST_MEDIAN_MS = 1_500
OTHER_REASON = "other"


class RuleHealth(msgspec.Struct, frozen=True, kw_only=True):
    """One row of ``gates/default`` over all cases of a unit.

    Parameters
    ----------
    rule : str
        Gate and condition, such as ``HARD-05 stop_beyond_distance``.
    fires : int
        Causes that came up, each once a case (GATE-04).
    overrides : int
        Those that somebody passed with a reason.
    recorded_anyway : int
        Those that stood, unpassed, while something was recorded (GATE-00).
    free_notes : int
        Overrides whose reason was "other, note later".
    median_ms : int or None
        From shown to passed, in milliseconds; None without an override.
    wants_review : bool
        At least 20 fires and more than half of them passed, or a median below 1.5 s.
    """

    rule: str
    fires: int
    overrides: int
    recorded_anyway: int
    free_notes: int
    median_ms: int | None
    wants_review: bool


def count_rule_health(store: UnitStore) -> list[RuleHealth]:
    """Return every rule that came up in the unit, by its name (GATE-05)."""
    with store.transaction():
        states = [*store.views.of_kind("step_event"), *store.views.of_kind("sign_off")]
    return judge_rules(states)


def judge_rules(states: Iterable[RecordState]) -> list[RuleHealth]:
    """Return every rule that came up in step events and signatures, by its name (GATE-05)."""
    fired: dict[str, set[tuple[str, str]]] = defaultdict(set)
    passed: dict[str, dict[tuple[str, str], Mapping[str, object]]] = defaultdict(dict)
    anyway: dict[str, set[tuple[str, str]]] = defaultdict(set)
    for state in states:
        case = shown_value(state.fields.get("case"))
        if state.is_entered_in_error or not isinstance(case, str):
            continue
        for override in _overrides(state):
            cause = str(override["cause"])
            fired[_rule(cause)].add((case, cause))
            passed[_rule(cause)].setdefault((case, cause), override)
        answers = _mapping(shown_value(state.fields.get("answers")))
        outcome = _mapping(shown_value(state.fields.get("outcome")))
        for cause in (*_texts(answers.get("gates_shown")), *_texts(outcome.get("gates_shown"))):
            fired[_rule(cause)].add((case, cause))
        for cause in _texts([answers.get("gate_stood")]):
            fired[_rule(cause)].add((case, cause))
            anyway[_rule(cause)].add((case, cause))
    return [
        _judge(rule, len(fired[rule]), list(passed[rule].values()), len(anyway[rule]))
        for rule in sorted(fired)
    ]


def _judge(
    rule: str, fires: int, overrides: list[Mapping[str, object]], recorded_anyway: int
) -> RuleHealth:
    times = [ms for one in overrides if isinstance(ms := one.get("shown_ms"), int)]
    median_ms = int(statistics.median(times)) if times else None
    is_passed_often = fires >= FEWEST_FIRES and 2 * len(overrides) > fires
    is_unread = median_ms is not None and median_ms < SHORTEST_MEDIAN_MS
    return RuleHealth(
        rule=rule,
        fires=fires,
        overrides=len(overrides),
        recorded_anyway=recorded_anyway,
        free_notes=sum(one.get("reason") == OTHER_REASON for one in overrides),
        median_ms=median_ms,
        wants_review=is_passed_often or is_unread,
    )


def _overrides(state: RecordState) -> Iterator[Mapping[str, object]]:
    outcome = _mapping(shown_value(state.fields.get("outcome")))
    signed = outcome.get("overrides")
    held = [shown_value(state.fields.get("override"))]
    answered = _mapping(shown_value(state.fields.get("answers"))).get("used_because")
    for one in (
        *held,
        *(signed if isinstance(signed, list) else ()),
        *(answered if isinstance(answered, list) else ()),
    ):
        override = _mapping(one)
        # Entries of earlier versions hold no cause: the gate stands for it.
        cause = override.get("cause", override.get("gate"))
        if isinstance(cause, str) and cause:
            yield {**override, "cause": cause}


def _rule(cause: str) -> str:
    """Return gate and condition of a cause, without what it is about (GT5)."""
    return " ".join(cause.split(" ")[:2])


def _mapping(content: object) -> Mapping[str, object]:
    return content if isinstance(content, dict) else {}


def _texts(content: object) -> list[str]:
    # A device may write anything into a field: what is no list of texts names nothing.
    return (
        [one for one in content if isinstance(one, str) and one]
        if isinstance(content, list)
        else []
    )
