"""Writes the stories of the second unit of the demonstrated network, and both units' past cases.

`python -m tests.scenarios.write_second_unit`; the same bytes each time. Everybody is invented. One
woman was treated in both units under two spellings of her name, and one lot was placed in both.
"""

import csv
import io
import json
import random
from datetime import date, timedelta
from pathlib import Path

SEEDS = Path(__file__).resolve().parents[2] / "seed_scenarios"
TODAY = date(2026, 3, 16)
# First unit -> second unit, in the order of replacing.
WORDS = (
    ("Tarn Hollow Hospital", "Marlow Fen Infirmary"),
    ("Tarn Hollow", "Marlow Fen"),
    ("tarn-hollow", "marlow-fen"),
    ("Dr Wren Quillfeather", "Dr Sorrel Attwick"),
    ("wren-quillfeather", "sorrel-attwick"),
    ("Dr Otis Bramblewick", "Dr Hale Pennymoor"),
    ("otis-bramblewick", "hale-pennymoor"),
    ("Juno Marrowby", "Bryn Copplestone"),
    ("juno-marrowby", "bryn-copplestone"),
    ("Tam Eddlestone", "Fay Ullswick"),
    ("tam-eddlestone", "fay-ullswick"),
    ("Dr Ivo Larkspire", "Dr Elm Dunnock"),
    ("ivo-larkspire", "elm-dunnock"),
    ("Cass Underhay", "Rue Tansley"),
    ("cass-underhay", "rue-tansley"),
    ("Pell Thistlewood", "Gale Orrinby"),
    ("pell-thistlewood", "gale-orrinby"),
    ("desk-office", "desk-marlow-office"),
    ("desk-clinic", "desk-marlow"),
    ("tablet-a", "tablet-marlow"),
    ("Barnaby Fenwright", "Odette Marrowick"),
    ("barnaby-fenwright", "odette-marrowick"),
    ("fenwright", "marrowick"),
    ("Fenwright", "Marrowick"),
    ("Barnaby", "Odette"),
)
FAMILY = (
    *("Alderby", "Brackwell", "Corrowin", "Dunmarsh", "Everholt", "Fallowby", "Garrowend"),
    *("Hollin", "Inkpen", "Jessamy", "Kettlewick", "Lowmoor", "Mossgrave", "Nettleby"),
    *("Oakhanger", "Pardew", "Quarrell", "Rushbeck", "Sallowby"),
)
GIVEN = (
    *("Anselm", "Briony", "Clement", "Dilys", "Ewan", "Flora", "Gwen"),
    *("Hollis", "Isolde", "Jarvis", "Keziah", "Linus", "Maud", "Nye"),
    *("Ottilie", "Percy", "Rhoda", "Silas", "Thora", "Wilf"),
)
# Past bleeders are the most, as in most units.
INDICATIONS = ("acute-bleed", *("secondary-prophylaxis",) * 2, "primary-prophylaxis")
HEAD = (
    *("local_number", "family_name", "given_name", "born_on", "sex", "procedure_on", "indication"),
    *("varix_class", "ascites", "encephalopathy", "short_axis_mm", "size_modality"),
    *("labs_taken_on", "bilirubin_umol_l", "albumin_g_l", "inr_ratio"),
    *("coil_1_lot", "coil_1_loop_mm", "coil_2_lot", "coil_2_loop_mm"),
    *("adhesive_agent", "adhesive_mix_ml", "adhesive_parts_adhesive", "adhesive_parts_oil"),
    *("adhesive_lot", "delivered", "flow_at_end", "adverse_event", "adverse_event_on"),
    *("rebleed_on", "rebleed_source", "last_visit_on", "last_visit_obliterated"),
    *("next_visit_on", "next_visit_label", "ended_because", "ended_on"),
)
SHARE_BLED, SHARE_ENDED, SHARE_DATED = 0.15, 0.12, 0.6
# Of a few nobody wrote down whether it succeeded, or what the last Doppler showed.
DELIVERED = (*("yes",) * 17, *("no",) * 2, "")
FLOWS = (*("none",) * 15, *("reduced",) * 3, "unchanged", "")
# Most from the treated varix itself, as papers tell it.
SOURCES = (
    *("gastric-varix", "gastric-varix", "gastric-varix", "adhesive-extrusion"),
    *("treatment-ulcer", "oesophageal-varix", "unknown"),
)
# (prefix of numbers, cases, share obliterated, share of adverse events): enough for limits around
# both units, where groups of fewer than five are held back.
UNITS = {"tarn_hollow": ("TH-3", 160, 0.86, 0.06), "marlow_fen": ("MF-3", 110, 0.74, 0.1)}


def write_story(name: str, out: str, born_on: str, sex: str) -> None:
    """Write a story of the first unit as one of the second."""
    text = (SEEDS / name).read_text()
    for former, now in WORDS:
        text = text.replace(former, now)
    story = json.loads(text)
    for entry in story["timeline"]:
        if "born_on" in entry.get("set", {}):
            entry["set"] |= {"born_on": born_on, "sex": sex}
            entry["set"]["local_id"] = "MF-40227"
    # One entry a line, as in the other stories.
    lines = ",\n".join(f"  {json.dumps(entry, ensure_ascii=False)}" for entry in story["timeline"])
    rest = {key: value for key, value in story.items() if key not in ("timeline", "ends_with")}
    head = json.dumps(rest, ensure_ascii=False, indent=1)[:-2]
    end = json.dumps(story["ends_with"], ensure_ascii=False, indent=1).replace("\n", "\n ")
    written = f'{head},\n "timeline": [\n{lines}\n ],\n "ends_with": {end}\n}}\n'
    json.loads(written)
    (SEEDS / "second_unit" / out).write_text(written)


def _after(day: date, days: int) -> str:
    return (day + timedelta(days=days)).isoformat()


def draw_course(rng: random.Random, treated: date) -> dict:
    """Return whether it succeeded, and what came later: about one in eight bled, a few died."""
    until = (TODAY - treated).days - 4
    found = {
        "delivered": rng.choice(DELIVERED),
        "flow_at_end": rng.choice(FLOWS),
    }
    bled_after = min(rng.choice((3, 9, 24, 60, 130, 250)), until)
    if rng.random() < SHARE_BLED:
        found |= {"rebleed_on": _after(treated, bled_after), "rebleed_source": rng.choice(SOURCES)}
    if rng.random() < SHARE_ENDED:
        reason = rng.choice(("died", "died", "died", "transferred", "declined"))
        on = min(rng.choice((12, 35, 90, 200, 300)), until)
        on = max(on, bled_after + 2) if "rebleed_on" in found else max(on, 5)
        found |= {"ended_because": reason, "ended_on": _after(treated, on)}
    return found


def draw_case(rng: random.Random, prefix: str, number: int, cured: float, harmed: float) -> dict:
    """Return one past case."""
    treated = TODAY - timedelta(days=rng.randint(120, 900))
    seen = min(treated + timedelta(days=rng.randint(70, 560)), TODAY - timedelta(days=3))
    coils = rng.choice((1, 1, 2))
    lots = ("L-0388", "L-0417")
    loop = rng.choice((10, 12, 15, 18))
    letter = {10: "C", 12: "D", 15: "E", 18: "F"}[loop]
    unknown = rng.random() < 0.06
    obliterated = "yes" if rng.random() < cured else "no"
    case = {
        "local_number": f"{prefix}{number:04}",
        "family_name": rng.choice(FAMILY),
        "given_name": rng.choice(GIVEN),
        "born_on": (date(1938, 1, 1) + timedelta(days=rng.randint(0, 15_000))).isoformat(),
        "sex": rng.choice(("female", "male", "male")),
        "procedure_on": treated.isoformat(),
        "indication": rng.choice(INDICATIONS),
        "varix_class": rng.choice(("GOV1", "GOV2", "GOV2", "IGV1", "IGV1")),
        "ascites": rng.choice(("none", "none", "mild", "moderate-severe")),
        "encephalopathy": "none",
        "short_axis_mm": rng.randint(7, 24),
        "size_modality": "ultrasound",
        "labs_taken_on": treated.isoformat(),
        "bilirubin_umol_l": rng.randint(12, 70),
        "albumin_g_l": rng.randint(24, 42),
        "inr_ratio": f"{rng.uniform(1.0, 1.9):.1f}",
        **{f"coil_{n}_loop_mm": loop for n in range(1, coils + 1)},
        **{
            f"coil_{n}_lot": "unknown" if unknown else f"{rng.choice(lots)}-{letter}"
            for n in range(1, coils + 1)
        },
        "adhesive_agent": "2-octyl-cyanoacrylate",
        "adhesive_mix_ml": rng.choice((1, 1.5, 2, 2, 3)),
        "adhesive_parts_adhesive": 1,
        "adhesive_parts_oil": 0,
        "adhesive_lot": rng.choice(("L-0702-A", "L-0755-A")),
        "adverse_event": "none",
    }
    if rng.random() < harmed:
        case["adverse_event"] = rng.choice(("embolism", "fever", "bleeding"))
        days = rng.choice((0, 1, 2)) if case["adverse_event"] != "bleeding" else 0
        # Of some nobody has written down the day.
        if rng.random() < SHARE_DATED:
            case["adverse_event_on"] = _after(treated, days)
    if rng.random() < 0.9:
        case |= {"last_visit_on": seen.isoformat(), "last_visit_obliterated": obliterated}
    case |= draw_course(rng, treated)
    if "ended_on" in case:
        # Who was seen last after the end was seen on the day before it.
        last = _after(date.fromisoformat(case["ended_on"]), -1)
        if "last_visit_on" in case:
            case["last_visit_on"] = min(case["last_visit_on"], last)
        return case
    return case | {
        "next_visit_on": (TODAY + timedelta(days=rng.randint(20, 200))).isoformat(),
        "next_visit_label": "Scope check with ultrasound",
    }


def write_past_cases(unit: str) -> None:
    """Write the past cases of a unit; in the first one the woman of the second is among them."""
    prefix, count, cured, harmed = UNITS[unit]
    rng = random.Random(f"past cases of {unit}")
    rows = [draw_case(rng, prefix, number, cured, harmed) for number in range(1, count + 1)]
    if unit == "tarn_hollow":
        rows[17] |= {
            "family_name": "Marrowick",
            "given_name": "Odete",
            "born_on": "1957-08-03",
            "sex": "female",
            "procedure_on": "2025-01-20",
            "labs_taken_on": "2025-01-20",
            "last_visit_on": "2025-07-22",
            "last_visit_obliterated": "yes",
            **dict.fromkeys(("adverse_event_on", "rebleed_on", "rebleed_source"), ""),
            "adverse_event": "none",
        }
    out = io.StringIO()
    writer = csv.DictWriter(out, HEAD, lineterminator="\n")
    writer.writeheader()
    writer.writerows(sorted(rows, key=lambda row: row["procedure_on"]))
    (SEEDS / "past_cases" / f"{unit}.csv").write_text(out.getvalue())


def write_all() -> None:
    """Write every file."""
    write_story("00_unit.json", "00_unit.json", "", "")
    write_story(
        "02_secondary_prophylaxis.json", "01_treated_elsewhere.json", "1957-08-03", "female"
    )
    for name in UNITS:
        write_past_cases(name)


if __name__ == "__main__":
    write_all()
