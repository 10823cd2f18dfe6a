"""Sizing: coils for each target, the needle's stop and dead space, the adhesive and its flush.

Every number comes from ``data/sizing``; lengths in micrometres, amounts in microlitres, times in
milliseconds. What lacks an input says so; outside the domain there is no number.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from api.clinical_rules.geometry import (
    divide_half_up,
    ellipsoid_ul,
    leaves_tip_ul,
    lumen_ul,
    packing_per_mille,
)
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, RuleFile
from api.clinical_rules.shapes import list_of, one_of, shape, text, natural_number

_TARGET = shape(
    {"label": text, "short_axis_um": natural_number},
    {
        "long_axis_um": natural_number,
        "third_axis_um": natural_number,
        "measured_distance_um": natural_number,
        "near_wall_um": natural_number,
        "far_wall_um": natural_number,
        "origin": one_of("measured", "estimated", "earlier-record"),
    },
)
_NEEDLE = shape(
    {"gauge": natural_number},
    {
        "inner_diameter_um": natural_number,
        "length_um": natural_number,
        "prime_ul": natural_number,
        "stop_step_um": natural_number,
    },
)
_COIL = shape(
    {
        "id": text,
        "loop_um": natural_number,
        "wire_um": natural_number,
        "length_um": natural_number,
        "count": natural_number,
    }
)
_ADHESIVE = shape(
    {
        "agent": one_of("2-octyl-cyanoacrylate", "n-butyl-2-cyanoacrylate"),
        "parts_adhesive": natural_number,
        "parts_oil": natural_number,
    },
    {"planned_ul": natural_number},
)
READ_REQUEST = shape(
    {"targets": list_of(_TARGET)},
    {
        "needle": _NEEDLE,
        "coils_in_stock": list_of(_COIL),
        "adhesive": _ADHESIVE,
        "given_so_far_ul": natural_number,
        "shunt": one_of("none", "present", "unknown"),
        "right_to_left_shunt": one_of("no", "yes", "unknown"),
    },
)
_LEVELS = ("stop", "caution", "note")
_LONGEST_UM = 10_000_000


class CoilCountRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many coils to start with from one axis on and below another."""

    from_um: int
    below_um: int
    from_coils: int
    to_coils: int


class LimitRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One factor or limit by name."""

    item: str
    amount: int


class FlushRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which media may flush an adhesive."""

    agent: str
    media: tuple[str, ...]


class CautionRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One remark on a plan."""

    id: str
    level: str
    text: str


def answer_sizing(request: object, rule_book: RuleBook) -> dict[str, object]:
    """Return coils, needle and adhesive for a plan.

    Parameters
    ----------
    request : object
        Parsed JSON with the keys of ``sizing``.
    rule_book : RuleBook
        Holds the files of ``sizing/``.

    Returns
    -------
    dict
        ``targets``, ``needle``, ``adhesive`` (None for coils alone), ``cautions`` by level,
        ``rule_files``; a part that lacks an input is ``{"missing": [...]}``, one outside the
        domain ``{"refusal": {...}}``.

    Raises
    ------
    ShapeError
        A key or type is wrong.

    Notes
    -----
    Rules SZ1-SZ12, AD1-AD6, GE1-GE4. Pure.
    """
    read = READ_REQUEST(request, "")
    counts = rule_book.rule_file("sizing/coil_counts", CoilCountRow)
    limits = rule_book.rule_file("sizing/limits", LimitRow)
    media = rule_book.rule_file("sizing/flush_media", FlushRow)
    remarks = rule_book.rule_file("sizing/cautions", CautionRow)
    limit = {row.item: row.amount for row in limits.rows}
    needle = read.get("needle", {})
    stock = read.get("coils_in_stock", [])
    passes = _pass_lumen(stock, needle)
    raised: set[str] = set()
    targets = [
        _size_target(target, counts, limit, stock, passes, needle, raised)
        for target in read["targets"]
    ]
    dead_space = _dead_space(needle)
    adhesive = read.get("adhesive")
    injection = (
        _plan_adhesive(adhesive, media, limit, dead_space, read, raised) if adhesive else None
    )
    if stock and "inner_diameter_um" not in needle:
        raised.add("lumen-unknown")
    if any(can_pass is False for can_pass in passes.values()):
        raised.add("wire-too-thick")
    found = [row for row in remarks.rows if row.id in raised]
    return {
        "targets": targets,
        "needle": {**dead_space, "passes": passes},
        "adhesive": injection,
        "cautions": [
            {"id": row.id, "level": row.level, "text": row.text, **_basis(row)}
            for row in sorted(found, key=lambda row: _LEVELS.index(row.level))
        ],
        "rule_files": name_rule_files(counts, limits, media, remarks),
    }


def _basis(row: Row) -> dict[str, object]:
    return {"basis": row.basis, "source": row.source}


def _pass_lumen(
    stock: Sequence[Mapping[str, Any]], needle: Mapping[str, Any]
) -> dict[str, bool | None]:
    """Say of each coil whether its wire passes the lumen; None when the lumen is unknown (SZ8)."""
    lumen = needle.get("inner_diameter_um")
    return {coil["id"]: None if lumen is None else coil["wire_um"] < lumen for coil in stock}


def _size_target(
    target: Mapping[str, Any],
    counts: RuleFile[CoilCountRow],
    limit: Mapping[str, int],
    stock: Sequence[Mapping[str, Any]],
    passes: Mapping[str, bool | None],
    needle: Mapping[str, Any],
    raised: set[str],
) -> dict[str, object]:
    axis = target["short_axis_um"]
    sized: dict[str, object] = {"label": target["label"], "axis_used": "short", "axis_um": axis}
    origin = target.get("origin")
    sized["origin"] = origin
    if origin is None:
        sized["coils"] = {"missing": ["origin"]}
    row = next((row for row in counts.rows if row.from_um <= axis < row.below_um), None)
    picks: list[Mapping[str, Any]] = []
    if origin is not None and row is None:
        least, most = counts.rows[0].from_um // 1000, (counts.rows[-1].below_um - 1) // 1000
        words = f"No figure: the protocol covers {least} to {most} mm. You can write your own plan."
        sized["coils"] = {"refusal": {"kind": "outside-domain", "text": words}}
    elif origin is not None and row is not None:
        picks = _pick_coils(axis, row, limit, stock, passes)
        sized["coils"] = _describe_coils(axis, row, limit, picks, raised)
        raised.update(
            {"estimated": {"estimated-size"}, "earlier-record": {"earlier-size"}}.get(origin, set())
        )
    sized.update(_fill(target, row, picks, raised))
    sized["needle_stop_um"] = _stop(target, needle, limit)
    return sized


def _pick_coils(
    axis: int,
    row: CoilCountRow,
    limit: Mapping[str, int],
    stock: Sequence[Mapping[str, Any]],
    passes: Mapping[str, bool | None],
) -> list[Mapping[str, Any]]:
    """Return coils from first to last (SZ4-SZ7).

    The first is the smallest stocked loop in the band, else the largest stocked below it. Later
    ones fill a lumen that the first has narrowed: the largest stocked loop not above the last.
    """
    low, high = _band(axis, limit)
    left = {coil["id"]: coil["count"] for coil in stock if passes[coil["id"]] is not False}
    picks: list[Mapping[str, Any]] = []
    for _ in range(row.to_coils):
        usable = [coil for coil in stock if left.get(coil["id"], 0) > 0]
        if picks:
            fitting = [coil for coil in usable if coil["loop_um"] <= picks[-1]["loop_um"]]
            wanted = max((coil["loop_um"] for coil in fitting), default=None)
        else:
            fitting = [coil for coil in usable if low <= coil["loop_um"] <= high]
            wanted = min((coil["loop_um"] for coil in fitting), default=None)
            if wanted is None:
                fitting = [coil for coil in usable if coil["loop_um"] < low]
                wanted = max((coil["loop_um"] for coil in fitting), default=None)
        if wanted is None:
            break
        chosen = next(coil for coil in fitting if coil["loop_um"] == wanted)
        left[chosen["id"]] -= 1
        picks.append(chosen)
    return picks


def _band(axis: int, limit: Mapping[str, int]) -> tuple[int, int]:
    """Return the loop band: its lower bound rounded up, its upper one down (SZ3)."""
    low = -(-axis * limit["loop_low_per_mille"] // 1000)
    return low, axis * limit["loop_high_per_mille"] // 1000


def _describe_coils(
    axis: int,
    row: CoilCountRow,
    limit: Mapping[str, int],
    picks: Sequence[Mapping[str, Any]],
    raised: set[str],
) -> dict[str, object]:
    low, high = _band(axis, limit)
    if row.to_coils == 0:
        reason = "below-range"
        raised.add("below-range")
    elif not picks:
        reason = "none-fits"
        raised.add("none-fits")
    elif picks[0]["loop_um"] >= low:
        reason = "in-band"
    else:
        reason = "largest-stocked"
        raised.add("migration")
    if row.to_coils:
        raised.add("doppler-after-each")
    return {
        "from": row.from_coils,
        "to": row.to_coils,
        "loop_band_um": [low, high],
        "picks": [coil["id"] for coil in picks],
        "reason": reason,
        **_basis(row),
    }


def _fill(
    target: Mapping[str, Any],
    row: CoilCountRow | None,
    picks: Sequence[Mapping[str, Any]],
    raised: set[str],
) -> dict[str, object]:
    """Return the volume of the varix and how densely the picks would fill it (SZ11)."""
    if "long_axis_um" not in target:
        missing = {"missing": ["long_axis_um"]}
        return {"volume_ul": missing, "packing_per_mille_from_to": missing}
    short, long = target["short_axis_um"], target["long_axis_um"]
    third = target.get("third_axis_um", short)
    axes = (short, long, third)
    volume: dict[str, object] = {
        "volume_ul": ellipsoid_ul(*axes),
        "third_axis_from": "given" if "third_axis_um" in target else "short-axis",
    }
    if not all(axes) or not picks or row is None:
        return {**volume, "packing_per_mille_from_to": {"missing": ["coils.picks"]}}
    raised.add("packing-information")
    metal = [(coil["wire_um"], coil["length_um"]) for coil in picks]
    return {
        **volume,
        "packing_per_mille_from_to": [
            packing_per_mille(metal[: row.from_coils], axes),
            packing_per_mille(metal, axes),
        ],
    }


def _stop(
    target: Mapping[str, Any], needle: Mapping[str, Any], limit: Mapping[str, int]
) -> int | dict[str, object]:
    """Return the needle stop: distance less margin, down to the needle's step (SZ9, SZ10)."""
    missing = [key for key in ("measured_distance_um",) if key not in target]
    missing += ["needle.stop_step_um"] if needle.get("stop_step_um", 0) < 1 else []
    if missing:
        return {"missing": missing}
    step = needle["stop_step_um"]
    stop: int = (target["measured_distance_um"] - limit["stop_margin_um"]) // step * step
    near, far = target.get("near_wall_um"), target.get("far_wall_um")
    if stop <= 0:
        return _refuse("too-short", "The measured distance is too short for a stop. Measure again.")
    if near is not None and stop <= near:
        return _refuse(
            "before-near-wall", "The stop would lie before the near wall. Measure again."
        )
    if far is not None and stop >= far:
        return _refuse("beyond-far-wall", "The stop would reach the far wall. Measure again.")
    return stop


def _refuse(kind: str, words: str) -> dict[str, object]:
    return {"refusal": {"kind": kind, "text": words}}


def _dead_space(needle: Mapping[str, Any]) -> dict[str, object]:
    """Return the dead space: the measured prime first, else the lumen, never a default (AD2)."""
    if "prime_ul" in needle:
        return {"dead_space_ul": needle["prime_ul"], "dead_space_from": "measured-prime"}
    lacking = [key for key in ("inner_diameter_um", "length_um") if key not in needle]
    if lacking:
        return {"dead_space_ul": {"missing": ["needle.prime_ul"]}, "dead_space_from": None}
    if max(needle["inner_diameter_um"], needle["length_um"]) > _LONGEST_UM:
        refusal = _refuse("implausible", "No needle is that large. Correct its lumen or length.")
        return {"dead_space_ul": refusal, "dead_space_from": None}
    computed = lumen_ul(needle["inner_diameter_um"], needle["length_um"])
    return {"dead_space_ul": computed, "dead_space_from": "computed"}


def _plan_adhesive(
    adhesive: Mapping[str, Any],
    media: RuleFile[FlushRow],
    limit: Mapping[str, int],
    dead_space: Mapping[str, object],
    read: Mapping[str, Any],
    raised: set[str],
) -> dict[str, object]:
    """Return amounts of adhesive (pure) and mix, aliquot, time and flush (AD1-AD6)."""
    row = next(row for row in media.rows if row.agent == adhesive["agent"])
    parts, oil = adhesive["parts_adhesive"], adhesive["parts_oil"]
    plan: dict[str, object] = {"flush_media": list(row.media), **_basis(row)}
    aliquot = limit["aliquot_ul"]
    pure = adhesive.get("planned_ul")
    if parts < 1:
        plan["pure_ul"] = plan["mix_ul"] = _refuse(
            "no-ratio", "The ratio needs at least one part of adhesive. Correct it."
        )
    elif pure is None:
        plan["pure_ul"] = plan["mix_ul"] = {"missing": ["adhesive.planned_ul"]}
    else:
        mix = divide_half_up(pure * (parts + oil), parts)
        plan["pure_ul"], plan["mix_ul"] = pure, mix
        aliquot = min(aliquot, mix)
        _raise_limits(pure + read.get("given_so_far_ul", 0), limit, raised)
    dead = dead_space["dead_space_ul"]
    plan["aliquot_ul"] = aliquot
    plan["aliquot_ms"] = divide_half_up(aliquot * limit["aliquot_ms_per_ml"], 1000)
    plan["flush_ul"] = dead
    plan["leaves_tip_before_flush_ul"] = (
        leaves_tip_ul(aliquot, 0, dead) if isinstance(dead, int) else dead
    )
    raised.add("licence")
    if adhesive["agent"].startswith("n-butyl"):
        raised.add("flush-medium")
    shunt = {"present": "large-shunt", "unknown": "shunt-unknown"}
    raised.add(shunt.get(read.get("shunt", "unknown"), ""))
    crossing = {"yes": "right-to-left-shunt", "unknown": "right-to-left-unknown"}
    raised.add(crossing.get(read.get("right_to_left_shunt", "unknown"), ""))
    return plan


def _raise_limits(total_pure_ul: int, limit: Mapping[str, int], raised: set[str]) -> None:
    if total_pure_ul > limit["second_person_ul"]:
        raised.add("second-person")
    elif total_pure_ul > limit["soft_limit_ul"]:
        raised.add("soft-limit")
