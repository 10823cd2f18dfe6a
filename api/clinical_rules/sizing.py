"""Sizing: coils for each target, the needle's stop and dead space, the adhesive and its flush.

Every number comes from ``data/sizing``; lengths in micrometres, amounts in microlitres, times in
milliseconds. What lacks an input says so; outside the domain there is no number.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from api.clinical_rules.adhesive import FlushRow, find_dead_space, plan_adhesive, warn_of_adhesive
from api.clinical_rules.coil_picks import (
    Coil,
    CoilCountRow,
    WireGaugeRow,
    loop_band_um,
    pass_needle,
    share_stock,
)
from api.clinical_rules.errors import CalculationRefusedError, RuleFileError
from api.clinical_rules.geometry import ellipsoid_ul, packing_per_mille
from api.clinical_rules.rule_book import RuleBook, name_rule_files
from api.clinical_rules.rule_file import Row, RuleFile, Words, path_of, refuse_gaps_and_overlaps
from api.clinical_rules.sizing_inputs import name_inputs
from api.clinical_rules.sizing_limits import LimitRow, Limits
from api.clinical_rules.sizing_remarks import warn_of_sizes
from api.clinical_rules.sizing_request import READ_REQUEST, refuse_doubles
from api.clinical_rules.value_cautions import name_usual_bands

_LEVELS = ("stop", "caution", "note")
_FULL_PER_MILLE = 1000
NOTHING_TEXT = (
    "Nothing could be calculated. "
    "Add a target with its short axis and origin, the needle's prime, or an adhesive."
)


class CautionRow(Row, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One remark on a plan."""

    id: Words
    level: Literal["stop", "caution", "note"]
    text: Words


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
        ``basis``, ``inputs``, ``rule_files``; a part that lacks an input is
        ``{"missing": [...]}``, one outside the domain ``{"refusal": {...}}``.

    Raises
    ------
    ShapeError
        A key or type is wrong, or a coil's id or a target's label stands twice.
    CalculationRefusedError
        Nothing at all could be calculated.
    RuleFileError
        The rows of coil counts leave a gap, or a limit or flush row is missing.

    Notes
    -----
    Rules SZ1-SZ19, AD1-AD9, GE1-GE4. Pure.
    """
    read = READ_REQUEST(request, "")
    counts = rule_book.rule_file("sizing/coil_counts", CoilCountRow)
    gauges = rule_book.rule_file("sizing/wire_gauges", WireGaugeRow)
    limits = rule_book.rule_file("sizing/limits", LimitRow)
    media = rule_book.rule_file("sizing/flush_media", FlushRow)
    remarks = rule_book.rule_file("sizing/cautions", CautionRow)
    _refuse_count_faults(counts)
    limit = Limits(limits)
    needle, stock, adhesive = read.get("needle"), read.get("coils_in_stock", []), None
    refuse_doubles([coil["id"] for coil in stock], "coils_in_stock", "id")
    refuse_doubles([target["label"] for target in read["targets"]], "targets", "label")
    passes = pass_needle(stock, needle, gauges.rows)
    raised = _warn_of_needle(needle, passes)
    rows = [_find_row(target, counts.rows) for target in read["targets"]]
    wanted = [
        (target["short_axis_um"], row) if row is not None and "origin" in target else None
        for target, row in zip(read["targets"], rows, strict=True)
    ]
    targets = [
        _size_target(target, row, counts.rows, own, limit, needle or {}, raised)
        for target, row, own in zip(
            read["targets"], rows, share_stock(wanted, limit, stock, passes), strict=True
        )
    ]
    dead_space = find_dead_space(needle or {})
    if "adhesive" in read:
        row = _flush_row(media, read["adhesive"]["agent"])
        adhesive = plan_adhesive(read["adhesive"], row, limit, dead_space["dead_space_ul"])
        known = {row.id for row in remarks.rows}
        raised |= warn_of_adhesive(read["adhesive"], read, limit, known)
    found: list[dict[str, object]] = [
        {"id": row.id, "level": row.level, "text": row.text, **_basis(row)}
        for row in remarks.rows
        if row.id in raised
    ]
    found += warn_of_sizes(read, rule_book)
    answer: dict[str, object] = {
        "targets": targets,
        "needle": {**dead_space, "passes": passes},
        "adhesive": adhesive,
        "cautions": sorted(found, key=lambda one: _LEVELS.index(str(one["level"]))),
        "basis": limit.name_basis(),
        "inputs": name_inputs(read, targets, dead_space),
        "rule_files": [
            *name_rule_files(counts, gauges, limits, media, remarks),
            *name_usual_bands(rule_book),
        ],
    }
    has_adhesive = adhesive is not None and isinstance(adhesive["aliquot_ul"], int)
    if not has_adhesive and not isinstance(dead_space["dead_space_ul"], int):
        parts = ("volume_ul", "needle_stop_um")
        if not any(
            "picks" in sized["coils"] or any(isinstance(sized[part], int) for part in parts)
            for sized in targets
        ):
            raise CalculationRefusedError(NOTHING_TEXT, answer)
    return answer


def _refuse_count_faults(counts: RuleFile[CoilCountRow]) -> None:
    refuse_gaps_and_overlaps(
        path_of(counts),
        [(row.from_um, row.below_um) for row in counts.rows],
        unit="um",
        from_key="from_um",
        below_key="below_um",
    )


def _flush_row(media: RuleFile[FlushRow], agent: str) -> FlushRow:
    for row in media.rows:
        if row.agent == agent:
            return row
    message = f"Rule file {path_of(media)} has no row {agent}. Add it."
    raise RuleFileError(message)


def _basis(row: Row) -> dict[str, object]:
    return {"basis": row.basis, "source": row.source}


def _warn_of_needle(
    needle: Mapping[str, Any] | None, passes: Mapping[str, bool | None]
) -> set[str]:
    raised: set[str] = set()
    if passes and needle is None:
        raised.add("needle-unknown")
    elif passes and needle is not None and "inner_diameter_um" not in needle:
        raised.add("lumen-unknown")
    if False in passes.values():
        raised.add("wire-too-thick")
    return raised


def _find_row(target: Mapping[str, Any], rows: Sequence[CoilCountRow]) -> CoilCountRow | None:
    axis_um = target["short_axis_um"]
    return next((row for row in rows if row.from_um <= axis_um < row.below_um), None)


def _size_target(
    target: Mapping[str, Any],
    row: CoilCountRow | None,
    rows: Sequence[CoilCountRow],
    picks: Sequence[Coil],
    limit: Mapping[str, int],
    needle: Mapping[str, Any],
    raised: set[str],
) -> dict[str, Any]:
    origin = target.get("origin")
    sized: dict[str, Any] = {
        "label": target["label"],
        "axis_used": "short",
        "axis_um": target["short_axis_um"],
        "origin": origin,
    }
    if origin is None:
        sized["coils"] = {"missing": ["origin"]}
    elif row is None:
        sized["coils"] = _refuse("outside-domain", _say_domain(rows))
    else:
        sized["coils"] = _describe_coils(target["short_axis_um"], row, picks, limit, raised)
        raised |= {"estimated": {"estimated-size"}, "earlier-record": {"earlier-size"}}.get(
            origin, set()
        )
    sized.update(_fill(target, row, rows, picks, raised))
    sized["needle_stop_um"] = _stop(target, needle, limit)
    return sized


def _describe_coils(
    axis_um: int,
    row: CoilCountRow,
    picks: Sequence[Coil],
    limit: Mapping[str, int],
    raised: set[str],
) -> dict[str, object]:
    low, high = loop_band_um(axis_um, limit)
    reason = "none-fits"
    if picks:
        reason = "in-band" if picks[0]["loop_um"] >= low else "largest-stocked"
    raised |= {"below-range"} if row.to_coils == 0 else {"doppler-after-each"}
    if row.to_coils and not picks:
        raised.add("none-fits")
    if picks and len(picks) < row.from_coils:
        raised.add("stock-short")
    if reason == "largest-stocked":
        raised |= {"migration"} | ({"loop-below-axis"} if picks[0]["loop_um"] < axis_um else set())
    if any(
        coil["loop_um"] > limit["thick_wire_above_loop_um"]
        and coil["wire_um"] < limit["thick_wire_um"]
        for coil in picks
    ):
        raised.add("thin-wire")
    return {
        "from": row.from_coils,
        "to": row.to_coils,
        "loop_band_um": [low, high],
        "picks": [coil["id"] for coil in picks],
        "reason": reason,
        **_basis(row),
    }


def _say_domain(rows: Sequence[CoilCountRow]) -> str:
    least, most = rows[0].from_um // 1000, (rows[-1].below_um - 1) // 1000
    return f"No figure: the protocol covers {least} to {most} mm. You can write your own plan."


def _fill(
    target: Mapping[str, Any],
    row: CoilCountRow | None,
    rows: Sequence[CoilCountRow],
    picks: Sequence[Coil],
    raised: set[str],
) -> dict[str, object]:
    """Return the volume of the varix and how densely the picks would fill it (SZ11, GE4)."""
    short = target["short_axis_um"]
    if short > min(target.get("long_axis_um", short), target.get("third_axis_um", short)):
        raised.add("axes-order")
    if "long_axis_um" not in target:
        missing = {"missing": ["long_axis_um"]}
        return {"volume_ul": missing, "packing_per_mille_from_to": missing}
    axes = (short, target["long_axis_um"], target.get("third_axis_um", short))
    if max(axes) >= rows[-1].below_um:
        outside = _refuse("outside-domain", _say_domain(rows))
        return {"volume_ul": outside, "packing_per_mille_from_to": outside}
    volume: dict[str, object] = {
        "volume_ul": ellipsoid_ul(*axes),
        "third_axis_from": "given" if "third_axis_um" in target else "short-axis",
    }
    if not all(axes) or not picks or row is None:
        return {**volume, "packing_per_mille_from_to": {"missing": ["coils.picks"]}}
    metal = [(coil["wire_um"], coil["length_um"]) for coil in picks]
    packing = [packing_per_mille(metal[:count], axes) for count in (row.from_coils, len(metal))]
    if packing[1] > _FULL_PER_MILLE:
        words = "More metal than the varix holds. Check the axes and the coils."
        return {**volume, "packing_per_mille_from_to": _refuse("implausible", words)}
    raised.add("packing-information")
    return {**volume, "packing_per_mille_from_to": packing}


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
