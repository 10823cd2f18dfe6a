"""What each condition of a gate finds in the facts, and the words for the places of its text."""

from collections.abc import Callable, Mapping
from typing import NamedTuple

from api.clinical_rules.civil_date import days_between
from api.clinical_rules.gate_facts import Facts

_THOUSAND = 1000
_MS_PER_HOUR = 3_600_000


class Finding(NamedTuple):
    """What a condition found: what it is about, and the words for the places of the text."""

    about: str
    places: Mapping[str, str]


class Condition(NamedTuple):
    """A named condition of a row.

    ``needs`` are the facts without which nothing is raised, ``uses`` those that only enter the
    text, ``places`` the names a text may hold, ``limit_unit`` the unit of the limit, if it has
    one. ``find`` takes the facts and the limit (0 without).
    """

    needs: tuple[str, ...]
    places: tuple[str, ...]
    find: Callable[[Facts, int], list[Finding]]
    limit_unit: str | None = None
    uses: tuple[str, ...] = ()


def write_milli(milli: int, unit: str) -> str:
    """Return a number of thousandths with its unit: 14 mm, 0.89 mm; never rounded (GT4)."""
    whole, rest = divmod(milli, _THOUSAND)
    digits = f"{whole}.{rest:03d}".rstrip("0").rstrip(".")
    return f"{digits} {unit}" if unit else digits


def _say_names(names: list[str]) -> str:
    """Return at most two names and how many more there are, so that the text stays short."""
    shown = " and ".join(names[:2])
    more = len(names) - 2
    return shown if more <= 0 else f"{', '.join(names[:2])} and {more} more"


def _listed(fact: str) -> Callable[[Facts, int], list[Finding]]:
    def find(facts: Facts, _: int) -> list[Finding]:
        names = facts[fact]
        return [Finding(", ".join(names), {"names": _say_names(names)})] if names else []

    return find


def _when(is_raised: bool, about: str = "", **places: str) -> list[Finding]:
    return [Finding(about, places)] if is_raised else []


def _find_old_plan(facts: Facts, _: int) -> list[Finding]:
    changes = facts.get("plan_changes", [])
    change = f" ({changes[0]})" if changes else ""
    return _when(facts["plan_standing"] == "out-of-date", "; ".join(changes), change=change)


def _find_session(facts: Facts, limit: int) -> list[Finding]:
    total = facts["pure_ul_given"] + facts["pure_ul_next"]
    return _when(total > limit, total=write_milli(total, "mL"), limit=write_milli(limit, "mL"))


def _find_injection(facts: Facts, limit: int) -> list[Finding]:
    further = facts["pure_ul_next"]
    return _when(further > limit, next=write_milli(further, "mL"), limit=write_milli(limit, "mL"))


def _find_stop(facts: Facts, _: int) -> list[Finding]:
    stop, distance = facts["stop_um"], facts["measured_distance_um"]
    return _when(
        stop > distance, stop=write_milli(stop, "mm"), distance=write_milli(distance, "mm")
    )


def _find_counts(facts: Facts, _: int) -> list[Finding]:
    return [
        Finding(
            one["item"],
            {
                "item": one["item"].capitalize(),
                "opened": str(one["opened"]),
                "recorded": str(one["recorded"]),
            },
        )
        for one in facts["counts"]
        if one["opened"] != one["recorded"]
    ]


def _find_no_blood(*, wants_adhesive: bool) -> Callable[[Facts, int], list[Finding]]:
    def find(facts: Facts, _: int) -> list[Finding]:
        returned = facts["blood_return"]
        return _when(not returned["seen"] and returned["wants_adhesive"] == wants_adhesive)

    return find


def _find_outside(facts: Facts, _: int) -> list[Finding]:
    return [
        Finding(
            one["name"],
            {
                "name": one["name"],
                "amount": write_milli(one["milli"], one["unit"]),
                "least": write_milli(one["least_milli"], ""),
                "most": write_milli(one["most_milli"], one["unit"]),
            },
        )
        for one in facts["values_outside_band"]
        if not one["least_milli"] <= one["milli"] <= one["most_milli"]
    ]


def _find_tenfold(facts: Facts, limit: int) -> list[Finding]:
    # After zero there is nothing to compare.
    return [
        Finding(
            one["name"],
            {
                "name": one["name"],
                "amount": write_milli(one["milli"], one["unit"]),
                "last": write_milli(one["last_milli"], one["unit"]),
                "limit": str(limit),
            },
        )
        for one in facts["tenfold_values"]
        if one["last_milli"] > 0
        and (one["milli"] >= limit * one["last_milli"] or one["milli"] * limit <= one["last_milli"])
    ]


def _find_other_coil(facts: Facts, _: int) -> list[Finding]:
    planned, chosen = (facts["coil_differs"][key] for key in ("planned_loop_um", "chosen_loop_um"))
    return _when(
        planned != chosen, chosen=write_milli(chosen, "mm"), planned=write_milli(planned, "mm")
    )


def _find_long_time(facts: Facts, _: int) -> list[Finding]:
    elapsed, planned = facts["elapsed_ms"], facts["planned_ms"]
    return _when(
        elapsed > planned, elapsed=write_milli(elapsed, "s"), planned=write_milli(planned, "s")
    )


def _find_unsent(facts: Facts, limit: int) -> list[Finding]:
    count, age = facts["unsent_count"], facts["oldest_unsent_ms"]
    return _when(
        count > 0 and age >= limit * _MS_PER_HOUR,
        count=f"{count} {'entry' if count == 1 else 'entries'}",
        age=f"{age // _MS_PER_HOUR} h",
        limit=f"{limit} h",
    )


def _find_clock_off(facts: Facts, limit: int) -> list[Finding]:
    offset = abs(facts["clock_offset_ms"])
    return _when(offset > limit * _THOUSAND, offset=write_milli(offset, "s"), limit=f"{limit} s")


def _find_low_battery(facts: Facts, limit: int) -> list[Finding]:
    left = facts["battery_per_cent"]
    return _when(left < limit and not facts["charging"], battery=f"{left} %", limit=f"{limit} %")


def _find_expiry(facts: Facts, *, is_raised: Callable[[int], bool]) -> list[Finding]:
    expires, today = facts["device_expires_on"], facts["today_on"]
    days_left = days_between(today, expires)
    return _when(is_raised(days_left), expires, expires=expires, today=today)


def _find_recalls(facts: Facts, _: int) -> list[Finding]:
    return [Finding(one["name"], one) for one in facts["device_recalls"]]


def _find_second_opening(facts: Facts, _: int) -> list[Finding]:
    serial = facts["serial_opened_before"]
    return _when(serial != "", serial, serial=serial)


def _find_too_many_opened(facts: Facts, _: int) -> list[Finding]:
    lot, delivered, opened = (facts["lot_count"][key] for key in ("lot", "delivered", "opened"))
    return _when(opened > delivered, lot, lot=lot, delivered=str(delivered), opened=str(opened))


def _find_other_item(facts: Facts, _: int) -> list[Finding]:
    lot, chosen, items = (facts["lot_known_as"][key] for key in ("lot", "chosen", "items"))
    is_other = len(items) > 0 and all(one["stock"] != chosen["stock"] for one in items)
    names = _say_names([one["name"] for one in items])
    return _when(is_other, lot, lot=lot, names=names, chosen=chosen["name"])


_DEVICE = ("device_expires_on", "today_on")
_COUNTED = ("item", "opened", "recorded")

CONDITIONS: Mapping[str, Condition] = {
    "identity_differs": Condition(
        ("identity_matches",), (), lambda facts, _: _when(not facts["identity_matches"])
    ),
    "inputs_missing": Condition(("missing_inputs",), ("names",), _listed("missing_inputs")),
    "plan_out_of_date": Condition(
        ("plan_standing",), ("change",), _find_old_plan, uses=("plan_changes",)
    ),
    "session_above_limit": Condition(
        ("pure_ul_given", "pure_ul_next"), ("total", "limit"), _find_session, "ul"
    ),
    "injection_above_limit": Condition(("pure_ul_next",), ("next", "limit"), _find_injection, "ul"),
    "stop_beyond_distance": Condition(
        ("stop_um", "measured_distance_um"), ("stop", "distance"), _find_stop
    ),
    "answers_in_conflict": Condition(("conflicts",), ("names",), _listed("conflicts")),
    "protocol_not_signed": Condition(
        ("protocol_standing",),
        ("standing",),
        lambda facts, _: _when(
            facts["protocol_standing"] != "signed",
            facts["protocol_standing"],
            standing=facts["protocol_standing"],
        ),
    ),
    "counts_differ": Condition(("counts",), _COUNTED, _find_counts),
    "no_follow_up": Condition(
        ("follow_up_planned",), (), lambda facts, _: _when(not facts["follow_up_planned"])
    ),
    "no_blood_for_adhesive": Condition(("blood_return",), (), _find_no_blood(wants_adhesive=True)),
    "no_blood_for_coils": Condition(("blood_return",), (), _find_no_blood(wants_adhesive=False)),
    "value_outside_band": Condition(
        ("values_outside_band",), ("name", "amount", "least", "most"), _find_outside
    ),
    "value_tenfold": Condition(
        ("tenfold_values",), ("name", "amount", "last", "limit"), _find_tenfold, "times"
    ),
    "inputs_estimated": Condition(("estimated_inputs",), ("names",), _listed("estimated_inputs")),
    "items_unticked": Condition(("unticked",), ("names",), _listed("unticked")),
    "coil_differs": Condition(("coil_differs",), ("chosen", "planned"), _find_other_coil),
    "time_beyond_plan": Condition(
        ("elapsed_ms", "planned_ms"), ("elapsed", "planned"), _find_long_time
    ),
    "unsent_too_long": Condition(
        ("unsent_count", "oldest_unsent_ms"), ("count", "age", "limit"), _find_unsent, "h"
    ),
    "clock_off": Condition(("clock_offset_ms",), ("offset", "limit"), _find_clock_off, "s"),
    "storage_not_kept": Condition(
        ("storage_persistent",), (), lambda facts, _: _when(not facts["storage_persistent"])
    ),
    "battery_low": Condition(
        ("battery_per_cent", "charging"), ("battery", "limit"), _find_low_battery, "%"
    ),
    "similar_name": Condition(("similar_names",), ("names",), _listed("similar_names")),
    "device_expires_soon": Condition(
        _DEVICE,
        ("expires", "today"),
        lambda facts, limit: _find_expiry(facts, is_raised=lambda left: 0 <= left <= limit),
        "days",
    ),
    "device_expired": Condition(
        _DEVICE,
        ("expires", "today"),
        lambda facts, _: _find_expiry(facts, is_raised=lambda left: left < 0),
    ),
    "lots_missing": Condition(("lots_missing",), ("names",), _listed("lots_missing")),
    "device_recalled": Condition(("device_recalls",), ("name", "reason"), _find_recalls),
    "serial_opened_before": Condition(("serial_opened_before",), ("serial",), _find_second_opening),
    "lot_of_other_item": Condition(("lot_known_as",), ("lot", "names", "chosen"), _find_other_item),
    "more_opened_than_delivered": Condition(
        ("lot_count",), ("lot", "delivered", "opened"), _find_too_many_opened
    ),
}
