"""Which keys of the request a visit rests on: those of its anchor and condition (FU16)."""

from collections.abc import Mapping, Sequence
from typing import Any

_LOOKS = ("happened.doppler_flow", "happened.obliterated")
_OF_ANCHOR: Mapping[str, tuple[str, ...]] = {
    "procedure": ("index_on",),
    "treatment": ("index_on", "happened.retreated"),
    "last_look": ("index_on", *_LOOKS, "happened.retreated"),
    "unseen_look": ("index_on", *_LOOKS, "happened.not_seen", "happened.retreated"),
    "obliteration": ("index_on", *_LOOKS, "happened.retreated"),
    "last_contact": ("index_on", "happened"),
}
_OF_CONDITION: Mapping[str, tuple[str, ...]] = {
    "acute_bleed": ("acute_bleed",),
    "early_look": ("acute_bleed", "conditions.adhesive_ul", "conditions.coils", *_LOOKS),
    "flow_persists": _LOOKS,
    "not_seen": (*_LOOKS, "happened.not_seen"),
    "retreated": ("happened.retreated",),
    "obliterated": _LOOKS,
    "obliterated_or_retreated": (*_LOOKS, "happened.retreated"),
    "oesophageal_banded": ("conditions.oesophageal_banded",),
    "liver_ultrasound": (
        "conditions.cirrhosis",
        "conditions.child_class",
        "conditions.transplant_listed",
    ),
    "on_beta_blocker": ("conditions.on_beta_blocker",),
    "nothing_else": ("happened",),
}
_ORDER = (
    "index_on",
    "acute_bleed",
    "conditions.cirrhosis",
    "conditions.child_class",
    "conditions.transplant_listed",
    "conditions.on_beta_blocker",
    "conditions.oesophageal_banded",
    "conditions.adhesive_ul",
    "conditions.coils",
    *_LOOKS,
    "happened.not_seen",
    "happened.retreated",
    "happened",
)


def name_inputs(
    anchor: str, condition: str, read: Mapping[str, Any], *, is_repeated: bool
) -> list[str]:
    """Return the keys given that decide on a visit and its date, in a fixed order.

    Parameters
    ----------
    anchor, condition : str
        As the plan names them.
    read : mapping
        The request as read; what is not in it is not named.
    is_repeated : bool
        Whether the visit counts from its last turn instead of its anchor (FU6).
    """
    used = {*_OF_ANCHOR.get(anchor, ()), *_OF_CONDITION.get(condition, ())}
    if is_repeated:
        used = {*_OF_CONDITION.get(condition, ()), "happened"}
    given = _name_given(read)
    return [key for key in _ORDER if key in used and key in given]


def _name_given(read: Mapping[str, Any]) -> set[str]:
    happened: Sequence[Mapping[str, Any]] = read.get("happened", [])
    return {
        "index_on",
        "acute_bleed",
        *(f"conditions.{key}" for key in read.get("conditions", {})),
        *(f"happened.{key}" for one in happened for key in one),
        *(("happened",) if happened else ()),
    }
