"""Invented answers about outcomes, with the program's own statistics behind each figure."""

import random
from typing import Any

from api.outcomes.competing_risks import estimate_incidence
from api.outcomes.cusum import follow_risks
from api.outcomes.definitions import packaged_definitions
from api.outcomes.funnel import draw_funnel, find_limits
from api.outcomes.proportions import score_interval
from api.outcomes.survival import Spell, estimate_survival

_UNITS = {
    "Alder Bay": 38,
    "Brackwater": 64,
    "Cinder Quay": 12,
    "Dunmere": 7,
    "Elver Reach": 88,
    "Fallow Head": 25,
    "Gorse Point": 19,
    "Marlow Fen": 46,
    "Tarn Hollow": 54,
    "Withy Ness": 4,
}
_ALONE = {"Tarn Hollow": 54}
_RATES = {
    "technical_success": 0.94,
    "flow_gone_at_end": 0.8,
    "obliteration": 0.72,
    "early_rebleed": 0.05,
    "late_rebleed": 0.18,
    "embolism": 0.02,
}
_OFTEN_MISSING = ("obliteration", "late_rebleed", "late_gastric_rebleed")
_SMALL = 5
_YEAR = 365
_ROUND_DAYS = range(0, _YEAR, 60)
_MIXES = {
    "indication": ["acute-bleed", "secondary-prophylaxis"],
    "varix_class": ["GOV1", "GOV2", "IGV1", ""],
    "child_class": ["A", "B", "C", ""],
    "meld_band": ["under-11", "11-to-18", "from-19"],
    "sex": ["female", "male"],
}

Answer = dict[str, Any]


def make_outcomes(*, is_hub: bool, seed: int = 7) -> Answer:
    """Return what a hub of ten units, or one unit, would answer; the same for the same seed."""
    chance = random.Random(seed)
    sizes = _UNITS if is_hub else _ALONE
    outcomes = _shares(chance, sizes, is_hub=is_hub)
    spells = [_spell(chance) for _ in range(sum(sizes.values()))]
    return {
        "as_of_ms": 1_795_709_000_000,
        "from_on": "",
        "until_on": "",
        "cases": sum(sizes.values()),
        "cautions": ["shifted-dates"] if is_hub else ["own-rates"],
        "units": [
            {"unit": f"u{place}", "name": name, "cases": _held(size, is_hub)}
            for place, (name, size) in enumerate(sizes.items())
        ],
        "mixes": [{"field": field, "values": values} for field, values in _MIXES.items()],
        "outcomes": outcomes,
        "sources": [
            {"source": "gastric-varix", "happened": 9},
            {"source": "treatment-ulcer", "happened": _held(3, is_hub)},
            {"source": "unknown", "happened": 11},
        ],
        "survival": [
            _curve(spells, "free_of_rebleed", ("rebleed", "death"), is_hub),
            _curve(spells, "alive", ("death",), is_hub),
        ],
        "competing": {
            **_told("Aalen and Johansen 1978", spells, is_hub),
            "causes": [
                {
                    "cause": cause,
                    "points": [_point(one) for one in estimate_incidence(spells, cause)],
                }
                for cause in ("rebleed", "death")
            ],
        },
        "funnels": [
            _funnel(one) for one in outcomes if is_hub and one["outcome"].startswith("late_reb")
        ],
        "cusums": [] if is_hub else [_sum(chance, sizes)],
        "amounts": _amounts(sum(sizes.values())),
        "months": _months(chance, is_hub),
    }


def _held(count: int, is_hub: bool) -> int | None:
    return None if is_hub and 0 < count < _SMALL else count


def _shares(chance: random.Random, sizes: dict[str, int], *, is_hub: bool) -> list[Answer]:
    told = []
    for outcome, by in packaged_definitions().by_outcome.items():
        rows = []
        gaps = 0.3 if outcome in _OFTEN_MISSING else 0.06
        for place, size in enumerate(sizes.values()):
            missing = sum(chance.random() < gaps for _ in range(size))
            judged = size - missing
            happened = sum(chance.random() < _RATES.get(outcome, 0.1) for _ in range(judged))
            rows.append((f"u{place}", happened, judged, missing, is_hub and size < _SMALL))
        happened, judged, missing = (sum(row[at] for row in rows) for at in (1, 2, 3))
        is_held = is_hub and outcome == "embolism"
        low, high = score_interval(happened, judged)
        told.append(
            {
                "outcome": outcome,
                "group": "",
                "basis": by.basis,
                "definition": by.definition,
                "source": by.source,
                **_counts(happened, judged, missing, is_held),
                "low": None if is_held else low,
                "high": None if is_held else high,
                "by_unit": [{"unit": unit, **_counts(*row)} for unit, *row in rows],
            }
        )
    return told


def _counts(happened: int, judged: int, missing: int, is_held: bool) -> Answer:
    if is_held:
        return {"happened": None, "judged": None, "missing": None, "suppressed": True}
    return {"happened": happened, "judged": judged, "missing": missing, "suppressed": False}


def _spell(chance: random.Random) -> Spell:
    seen, bled, died = (
        chance.randint(30, 700),
        chance.expovariate(1 / 900),
        chance.expovariate(1e-3),
    )
    ends = min((seen, ""), (bled, "rebleed"), (died, "death"), (_YEAR, ""))
    return Spell(int(ends[0]), ends[1])


def _told(source: str, spells: list[Spell], is_hub: bool) -> Answer:
    return {
        "definition": "From the treatment on; who is seen no longer leaves on the last day.",
        "source": source,
        "cases": len(spells),
        "missing": 3,
        "until_day": _YEAR,
        "at_risk": [
            {"day": day, "cases": _held(sum(one.days >= day for one in spells), is_hub)}
            for day in _ROUND_DAYS
        ],
    }


def _curve(spells: list[Spell], name: str, causes: tuple[str, ...], is_hub: bool) -> Answer:
    kept = [Spell(one.days, one.ended_by if one.ended_by in causes else "") for one in spells]
    points = [_point(one) for one in estimate_survival(kept)]
    return {"outcome": name, **_told("Kaplan and Meier 1958", spells, is_hub), "points": points}


def _point(step: Any) -> Answer:
    return {"day": step.days, "share": step.share, "low": step.lower, "high": step.upper}


def _funnel(outcome: Answer) -> Answer:
    counts = [
        (one["unit"], one["happened"], one["judged"]) for one in outcome["by_unit"] if one["judged"]
    ]
    funnel = draw_funnel(counts)
    limits = [
        find_limits(cases, funnel.rate) for cases in range(1, max(one[2] for one in counts) + 1)
    ]
    return {
        "outcome": outcome["outcome"],
        "definition": outcome["definition"],
        "source": outcome["source"],
        "overall": funnel.rate,
        "missing": outcome["missing"],
        "dispersion": funnel.dispersion,
        "limits": [
            {
                "cases": one.cases,
                "low998": one.alarm_low,
                "low95": one.alert_low,
                "high95": one.alert_high,
                "high998": one.alarm_high,
            }
            for one in limits
        ],
        "units": [
            {
                "unit": one.unit,
                "happened": one.happened,
                "cases": one.cases,
                "share": one.share,
                "standing": one.standing,
                "suppressed": False,
            }
            for one in funnel.units
        ],
    }


def _sum(chance: random.Random, sizes: dict[str, int]) -> Answer:
    cases = [
        (chance.choice([0.1, 0.2, 0.3]), chance.random() < 0.3) for _ in range(sum(sizes.values()))
    ]
    return {
        "unit": "u0",
        "outcome": "late_rebleed",
        "definition": "Each case weighs as much as its risk did not explain.",
        "source": "Steiner et al. 2000, Biostatistics 1:441-52",
        "missing": 4,
        "limit": 2.6,
        "run_length": 310.2,
        "points": [
            {
                "number": one.number,
                "month": f"2025-{1 + (one.number - 1) // 5:02d}",
                "value": one.sum,
                "is_signal": one.is_signal,
            }
            for one in follow_risks(cases, limit=2.6)
        ],
    }


def _amounts(cases: int) -> list[Answer]:
    quartiles = {"coils": (2, 3, 4), "adhesive_ul": (1000, 1500, 2250), "sessions": (1, 1, 2)}
    return [
        {
            "amount": amount,
            "definition": "Of the cases in which it was counted.",
            "source": "derived from what was recorded",
            "cases": cases - 6,
            "missing": 6,
            "low": low,
            "median": median,
            "high": high,
        }
        for amount, (low, median, high) in quartiles.items()
    ]


def _months(chance: random.Random, is_hub: bool) -> list[Answer]:
    most = 25 if is_hub else 8
    return [
        {
            "month": f"{year}-{month:02d}",
            "cases": _held(chance.randint(0, most), is_hub),
            "happened": {"late_rebleed": _held(chance.randint(0, 2), is_hub)},
        }
        for year in (2025, 2026)
        for month in range(1, 12)
    ]
