"""Which keys of the request each part of a sizing answer rests on (SZ18)."""

from collections.abc import Mapping, Sequence
from typing import Any

_SHUNTS = ("shunt", "right_to_left_shunt")


def name_inputs(
    read: Mapping[str, Any],
    targets: Sequence[Mapping[str, Any]],
    dead_space: Mapping[str, object],
) -> dict[str, object]:
    """Return the inputs of each target, of the needle and of the adhesive, in a fixed order.

    Parameters
    ----------
    read : mapping
        The request as `READ_REQUEST` returned it.
    targets, dead_space : mapping
        The parts of the answer: what could not be calculated rests on nothing.

    Returns
    -------
    dict
        ``targets`` (one list for each, in their order), ``needle`` and ``adhesive``. Keys of a
        target stand by their own name, others by their path such as ``needle.prime_ul``.
    """
    of_needle = _needle_inputs(dead_space)
    return {
        "targets": [
            _target_inputs(target, sized, read)
            for target, sized in zip(read["targets"], targets, strict=True)
        ],
        "needle": of_needle,
        "adhesive": _adhesive_inputs(read, of_needle) if "adhesive" in read else [],
    }


def _target_inputs(
    target: Mapping[str, Any], sized: Mapping[str, Any], read: Mapping[str, Any]
) -> list[str]:
    has_picks = "picks" in sized["coils"] and bool(read.get("coils_in_stock"))
    has_volume = "long_axis_um" in target
    stop = sized["needle_stop_um"]
    has_stop = isinstance(stop, int) or "refusal" in stop
    has_lumen = "inner_diameter_um" in read.get("needle", {})
    used = {
        "short_axis_um": True,
        "long_axis_um": has_volume,
        "third_axis_um": has_volume and "third_axis_um" in target,
        "measured_distance_um": has_stop,
        "near_wall_um": has_stop and "near_wall_um" in target,
        "far_wall_um": has_stop and "far_wall_um" in target,
        "origin": "origin" in target,
        "needle.gauge": has_picks and "needle" in read and not has_lumen,
        "needle.inner_diameter_um": has_picks and has_lumen,
        "needle.stop_step_um": has_stop,
        "coils_in_stock": has_picks,
    }
    return [key for key, is_used in used.items() if is_used]


def _needle_inputs(dead_space: Mapping[str, object]) -> list[str]:
    if dead_space["dead_space_from"] == "measured-prime":
        return ["needle.prime_ul"]
    if dead_space["dead_space_from"] == "computed":
        return ["needle.inner_diameter_um", "needle.length_um"]
    return []


def _adhesive_inputs(read: Mapping[str, Any], of_needle: Sequence[str]) -> list[str]:
    keys = ("agent", "parts_adhesive", "parts_oil", "planned_ul")
    own = [f"adhesive.{key}" for key in keys if key in read["adhesive"]]
    around = [key for key in ("given_so_far_ul", *_SHUNTS) if key in read]
    return [*own, *of_needle, *around]
