"""Adhesive and its flush: dead space, amounts of adhesive (pure) and mix, aliquot and time."""

from collections.abc import Container, Mapping
from typing import Annotated, Any, Literal

import msgspec

from api.clinical_rules.geometry import divide_half_up, leaves_tip_ul, lumen_ul
from api.clinical_rules.rule_file import Row


class FlushRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which media may flush an adhesive."""

    agent: Literal["2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate"]
    media: Annotated[
        tuple[Literal["saline", "sterile-water", "dextrose-5"], ...], msgspec.Meta(min_length=1)
    ]


def find_dead_space(needle: Mapping[str, Any]) -> dict[str, object]:
    """Return the dead space: the measured prime first, else the lumen, never a default (AD2)."""
    if "prime_ul" in needle:
        return {"dead_space_ul": needle["prime_ul"], "dead_space_from": "measured-prime"}
    if "inner_diameter_um" in needle and "length_um" in needle:
        computed = lumen_ul(needle["inner_diameter_um"], needle["length_um"])
        return {"dead_space_ul": computed, "dead_space_from": "computed"}
    return {"dead_space_ul": {"missing": ["needle.prime_ul"]}, "dead_space_from": None}


def plan_adhesive(
    adhesive: Mapping[str, Any],
    row: FlushRow,
    limit: Mapping[str, int],
    dead_space_ul: object,
) -> dict[str, object]:
    """Return amounts of adhesive (pure) and mix, aliquot, time and flush (AD1-AD6).

    Parameters
    ----------
    adhesive : mapping
        ``planned_ul`` is adhesive (pure).
    dead_space_ul : int or dict
        As in the answer: a number, or what it lacks.
    """
    parts, oil = adhesive["parts_adhesive"], adhesive["parts_oil"]
    plan: dict[str, object] = {
        "flush_media": list(row.media),
        "basis": row.basis,
        "source": row.source,
    }
    aliquot_ul = limit["aliquot_ul"]
    pure_ul = adhesive.get("planned_ul")
    if parts < 1:
        words = "The ratio needs at least one part of adhesive. Correct it."
        refusal = {"refusal": {"kind": "no-ratio", "text": words}}
        amounts = ("pure_ul", "mix_ul", "aliquot_ul", "aliquot_ms")
        leaves = {"flush_ul": dead_space_ul, "leaves_tip_before_flush_ul": refusal}
        return {**plan, **dict.fromkeys(amounts, refusal), **leaves}
    if pure_ul is None:
        plan["pure_ul"] = plan["mix_ul"] = {"missing": ["adhesive.planned_ul"]}
    else:
        mix_ul = divide_half_up(pure_ul * (parts + oil), parts)
        plan["pure_ul"], plan["mix_ul"] = pure_ul, mix_ul
        aliquot_ul = min(aliquot_ul, mix_ul)
    plan["aliquot_ul"] = aliquot_ul
    plan["aliquot_ms"] = divide_half_up(aliquot_ul * limit["aliquot_ms_per_ml"], 1000)
    plan["flush_ul"] = dead_space_ul
    plan["leaves_tip_before_flush_ul"] = (
        leaves_tip_ul(aliquot_ul, 0, dead_space_ul)
        if isinstance(dead_space_ul, int)
        else dead_space_ul
    )
    return plan


def warn_of_adhesive(
    adhesive: Mapping[str, Any],
    read: Mapping[str, Any],
    limit: Mapping[str, int],
    known: Container[str],
) -> set[str]:
    """Return the ids of the cautions that an adhesive raises (AD5, AD7, AD9).

    Parameters
    ----------
    adhesive, read : mapping
        The adhesive of the request, and the request.
    limit : mapping
        ``sizing/limits`` by item.
    known : container of str
        Ids of ``sizing/cautions``; an older file has one remark for "not asked" and "unknown".
    """
    raised = {"licence"}
    if adhesive["agent"] == "n-butyl-2-cyanoacrylate":
        raised.add("flush-medium")
    shunt = {"present": "large-shunt", "unknown": "shunt-unknown"}
    not_asked = "right-to-left-not-asked"
    crossing = {
        "yes": "right-to-left-shunt",
        "unknown": "right-to-left-unknown",
        "not asked": not_asked if not_asked in known else "right-to-left-unknown",
    }
    raised.add(shunt.get(read.get("shunt", "unknown"), ""))
    raised.add(crossing.get(read.get("right_to_left_shunt", "not asked"), ""))
    # What was given counts even while nothing further is planned or its ratio is wrong.
    total_ul = adhesive.get("planned_ul", 0) + read.get("given_so_far_ul", 0)
    if total_ul > limit["second_person_ul"]:
        raised.add("second-person")
    elif total_ul > limit["soft_limit_ul"]:
        raised.add("soft-limit")
    return raised | _warn_of_mix(adhesive, total_ul, limit)


def _warn_of_mix(adhesive: Mapping[str, Any], total_ul: int, limit: Mapping[str, int]) -> set[str]:
    """Return the cautions on the mix and its ratio (AD8); an older rule file has no such limits."""
    parts, oil = adhesive["parts_adhesive"], adhesive["parts_oil"]
    if parts < 1 or "mix_second_person_ul" not in limit:
        return set()
    raised = {"ratio-unusual"} if oil * 1000 > limit["most_oil_per_mille"] * parts else set()
    mix_ul = divide_half_up(total_ul * (parts + oil), parts)
    # With no oil the mix is the adhesive itself, whose limits stand already.
    if oil > 0 and mix_ul > limit["mix_second_person_ul"]:
        raised.add("mix-second-person")
    elif oil > 0 and mix_ul > limit["mix_soft_limit_ul"]:
        raised.add("mix-soft-limit")
    return raised
